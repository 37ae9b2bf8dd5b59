"""Controllers, the days on which they water, and the end of controllers and wire paths."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import TypeVar

from django.db import IntegrityError, transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one, refuse_past
from core.problems import Conflict, Defect
from core.text_checks import line_defects, name_defects, refuse_defects
from sites.field_checks import day_defects
from sites.models.controller import Controller, Season
from sites.models.property import Property
from sites.models.wire_path import WirePath
from sites.services.versions import version_update

MOST_SEASONS = 100

_Row = TypeVar("_Row", Controller, WirePath)


@dataclass(frozen=True)
class ControllerDetails:
    """What people say of a controller."""

    name: str
    model_note: str = ""

    def defects(self) -> Iterator[Defect]:
        """What does not fit, with JSON pointers."""
        yield from name_defects("/name", self.name, 120)
        yield from line_defects("/model_note", self.model_note, 200)


@dataclass(frozen=True, order=True)
class SeasonDays:
    """The days of a season, both included."""

    starts_on: dt.date
    ends_on: dt.date
    note: str = ""


def controller_create(*, place: Property, details: ControllerDetails, by: Actor) -> Controller:
    """A new controller at a property.

    Raises Invalid, or Conflict where the property has ended or has a controller of this name.
    """
    refuse_defects("controller", details.defects())
    controller = Controller(created_at=now(), **asdict(details))
    try:
        with transaction.atomic():
            controller.property = locked_one(place)
            if controller.property.ended_at is not None:
                raise Conflict("The property has ended and takes no controller.")
            controller.save()
            change_record(
                by=by,
                action="controller.created",
                thing=("controller", controller.public_id),
                after=asdict(details) | {"property": place.public_id},
            )
    except IntegrityError:
        _refuse_taken(place, details.name, controller)
        raise
    return controller


def controller_update(
    *, controller: Controller, version: int, details: ControllerDetails, by: Actor
) -> Controller:
    """The controller with these details; where it has them already, nothing is written.

    Raises Invalid, Stale where it is past ``version``, Conflict where the name is taken.
    """
    refuse_defects("controller", details.defects())
    try:
        with transaction.atomic():
            held = locked_one(controller)
            before = ControllerDetails(held.name, held.model_note)
            if details == before:
                refuse_past("controller", held.version, version)
                return held
            changed = version_update(controller, version, **asdict(details))
            change_record(
                by=by,
                action="controller.updated",
                thing=("controller", controller.public_id),
                before=asdict(before),
                after=asdict(details),
            )
    except IntegrityError:
        _refuse_taken(controller.property, details.name, controller)
        raise
    return changed


@transaction.atomic
def controller_end(*, controller: Controller, version: int, by: Actor) -> Controller:
    """The controller is gone; all that was known of it stays.

    Raises Stale where it is past ``version``, Conflict where it has wire paths.
    """
    held = locked_one(controller)
    if held.paths.filter(ended_at__isnull=True).exists():
        raise Conflict("The controller has wire paths: end these first.")
    return _ended(held, version, by, "controller")


@transaction.atomic
def path_end(*, path: WirePath, version: int, by: Actor) -> WirePath:
    """The wire path is gone; its map and all that was read on it stay.

    Raises Stale where it is past ``version``, Conflict where it has ended already.
    """
    return _ended(locked_one(path), version, by, "path")


@transaction.atomic
def season_set(
    *, controller: Controller, version: int, seasons: Sequence[SeasonDays], by: Actor
) -> Controller:
    """These are the seasons of a controller from now on; the ones that stay keep their ids.

    Raises Invalid where they overlap, Stale where the controller is past ``version``.
    """
    refuse_defects("calendar", _season_defects(seasons))
    changed = version_update(controller, version)
    live = {
        SeasonDays(season.starts_on, season.ends_on, season.note): season
        for season in controller.seasons.filter(withdrawn_at__isnull=True)
    }
    at = now()
    gone = [season.pk for days, season in live.items() if days not in seasons]
    Season.objects.filter(pk__in=gone).update(withdrawn_at=at)
    Season.objects.bulk_create(
        Season(controller=controller, created_at=at, **asdict(days))
        for days in sorted(seasons)
        if days not in live
    )
    change_record(
        by=by,
        action="controller.seasons-set",
        thing=("controller", controller.public_id),
        before={"seasons": [_told(days) for days in sorted(live)]},
        after={"seasons": [_told(days) for days in sorted(seasons)]},
    )
    return changed


def _ended(held: _Row, version: int, by: Actor, kind: str) -> _Row:
    if held.ended_at is not None:
        raise Conflict(f"The {kind} has ended already.")
    at = now()
    ended = version_update(held, version, ended_at=at)
    change_record(
        by=by,
        action=f"{kind}.ended",
        thing=(kind, held.public_id),
        after={"ended_at": at.isoformat()},
    )
    return ended


def _refuse_taken(place: Property, name: str, controller: Controller) -> None:
    others = place.controllers.exclude(public_id=controller.public_id)
    if others.filter(name=name, ended_at__isnull=True).exists():
        raise Conflict(f"The property has a controller {name!r} already.")


def _season_defects(seasons: Sequence[SeasonDays]) -> Iterator[Defect]:
    if len(seasons) > MOST_SEASONS:
        yield Defect("/seasons", f"there are {len(seasons)} seasons", f"at most {MOST_SEASONS}")
        return
    for at, days in enumerate(seasons):
        yield from line_defects(f"/seasons/{at}/note", days.note, 200)
        yield from day_defects(f"/seasons/{at}/starts_on", days.starts_on)
        yield from day_defects(f"/seasons/{at}/ends_on", days.ends_on)
        if days.ends_on < days.starts_on:
            what = f"the season ends on {days.ends_on}, before it starts"
            yield Defect(f"/seasons/{at}/ends_on", what, f"{days.starts_on} or later")
    last: SeasonDays | None = None
    for at in sorted(range(len(seasons)), key=lambda at: seasons[at]):
        days = seasons[at]
        if last is not None and days.starts_on <= last.ends_on:
            what = f"this overlaps with the season from {last.starts_on} to {last.ends_on}"
            yield Defect(f"/seasons/{at}/starts_on", what, f"a start after {last.ends_on}")
        if last is None or days.ends_on > last.ends_on:
            last = days


def _told(days: SeasonDays) -> dict[str, str]:
    return {
        "starts_on": days.starts_on.isoformat(),
        "ends_on": days.ends_on.isoformat(),
        "note": days.note,
    }
