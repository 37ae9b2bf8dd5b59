"""What the legs of a path read when they were sound: taken at start-up, inspection, return test."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from django.db import transaction
from django.db.models import Max, QuerySet

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one
from core.problems import Conflict, Defect, Stale
from core.text_checks import line_defects, refuse_defects
from faults.leg_doubts import leg_warnings
from faults.leg_rises import Rise, rise_between
from faults.models.return_test import ReturnTest, SoundRecord, SoundSource
from faults.tracing.rig_places import legs_of
from sites.models.wire_path import WirePath
from sites.network_snapshot import path_network

Document = dict[str, Any]

_MOST = {"current_ma": 1_000_000.0, "far_v": 1000.0, "insulation_mohm": 1e9}


@dataclass(frozen=True)
class LegSound:
    """What a leg read, coil in or out. ``wet``: the ground; None: not said."""

    leg: str
    current_ma: float | None = None
    coil: bool = False
    far_v: float | None = None
    insulation_mohm: float | None = None
    wet: bool | None = None
    meter: str = ""

    def defects(self, pointer: str) -> Iterator[Defect]:
        """What does not fit, with JSON pointers below ``pointer``."""
        read = {name: getattr(self, name) for name in _MOST}
        for name, value in read.items():
            yield from number_defects(f"{pointer}/{name}", value, _MOST[name])
        if all(value is None for value in read.values()):
            yield Defect(pointer, "nothing was read", f"some of {', '.join(_MOST)}")
        yield from line_defects(f"{pointer}/meter", self.meter, 120)


@dataclass(frozen=True)
class Recorded:
    """The records that were written, which legs have risen since the ones before, and which
    readings are doubted."""

    records: tuple[SoundRecord, ...]
    rises: tuple[Rise, ...]
    warnings: tuple[str, ...] = ()


def number_defects(pointer: str, value: float | None, most: float) -> Iterator[Defect]:
    """A number that was read, from 0 up to ``most``; None was not read."""
    if value is not None and not (math.isfinite(value) and 0 <= value <= most):
        yield Defect(pointer, f"{value} is out of range", f"a number from 0 to {most:g}")


def sound_newest(path: WirePath, *, coil: bool | None = None) -> dict[str, SoundRecord]:
    """The newest record of each leg, of those with the coil in or out if it is said: one query."""
    rows = SoundRecord.objects.filter(path=path)
    return _newest(rows if coil is None else rows.filter(coil=coil, current_ma__isnull=False))


def _newest(rows: QuerySet[SoundRecord]) -> dict[str, SoundRecord]:
    newest = rows.values("leg").annotate(newest=Max("pk")).values("newest")
    return {row.leg: row for row in SoundRecord.objects.filter(pk__in=newest).order_by("pk")}


def sound_known(path: WirePath, legs: Sequence[str]) -> list[Document]:
    """The newest records of these legs as rows of the trace form, with a current where one was
    ever read: two queries."""
    newest = sound_newest(path) | _newest(SoundRecord.objects.filter(path=path, current_ma__gte=0))
    return [
        {
            "leg": leg,
            "current_ma": newest[leg].current_ma,
            "coil": newest[leg].coil,
            "far_v": newest[leg].far_v,
            "insulation_mohm": newest[leg].insulation_mohm,
            "wet": newest[leg].wet,
            "date": newest[leg].at.date().isoformat(),
            "meter": newest[leg].meter or None,
        }
        for leg in legs
        if leg in newest
    ]


def sound_record(*, path: WirePath, source: str, legs: Sequence[LegSound], by: Actor) -> Recorded:
    """Take sound records at start-up or an inspection, and tell which legs have risen.

    What a return test reads is recorded by the test itself. A reading that cannot be so is kept
    and doubted in ``warnings``. Raises Invalid, Conflict where the
    path has ended, Stale where its map changed meanwhile.
    """
    network = path_network(path)
    defects = [one for n, said in enumerate(legs) for one in said.defects(f"/legs/{n}")]
    defects += leg_defects([said.leg for said in legs], legs_of(network))
    sources = (SoundSource.START_UP, SoundSource.INSPECTION)
    if source not in sources:
        right = f"one of {', '.join(sources)}"
        defects.append(Defect("/source", f"{source[:20]!r} is no source", right))
    refuse_defects("sound record", defects)
    warnings = [one for said in legs for one in leg_warnings(network, [said], coil=said.coil)]
    with transaction.atomic():
        held = locked_one(path)
        if held.ended_at is not None:
            raise Conflict("The wire path has ended.")
        if held.revision != path.revision:
            raise Stale("The map was changed meanwhile: read the path again.")
        taken = sound_write(path=held, source=source, legs=legs, by=by)
        return replace(taken, warnings=tuple(warnings))


def leg_defects(named: Sequence[str], legs: Sequence[str]) -> Iterator[Defect]:
    """Legs that are not at the controller, or are named twice."""
    for number, leg in enumerate(named):
        if leg not in legs:
            what = f"{leg[:60]!r} is no leg"
            yield Defect(f"/legs/{number}/leg", what, f"one of {', '.join(legs)}")
        elif leg in named[:number]:
            yield Defect(f"/legs/{number}/leg", f"{leg!r} is named twice", "each leg once")


def sound_write(
    *,
    path: WirePath,
    source: str,
    legs: Sequence[LegSound],
    by: Actor,
    test: ReturnTest | None = None,
) -> Recorded:
    """Store sound records, within the caller's transaction; the caller knows that they fit."""
    before = sound_newest(path, coil=False)
    at = now()
    records = tuple(
        SoundRecord.objects.create(
            path=path,
            revision=path.revision,
            leg=said.leg,
            source=source,
            test=test,
            current_ma=said.current_ma,
            coil=said.coil,
            far_v=said.far_v,
            insulation_mohm=said.insulation_mohm,
            wet=said.wet,
            meter=said.meter,
            at=at,
            by_name=by.name,
        )
        for said in legs
    )
    rises = tuple(rise for row in records if (rise := rise_between(before.get(row.leg), row)))
    change_record(
        by=by,
        action="sound-record.taken",
        thing=("path", path.public_id),
        after={
            "source": source,
            "legs": {said.leg: said.current_ma for said in legs},
            "risen": [rise.leg for rise in rises],
        },
    )
    return Recorded(records, rises)
