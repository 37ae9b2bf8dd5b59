"""Where reported events lie: many places looked up with a few queries."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from django.db.models import Prefetch

from core.problems import Defect
from core.text_checks import refuse_defects
from faults.services.calls import Where
from sites.models.controller import Controller
from sites.models.property import Property
from sites.models.wire_path import WirePath


class NamesPlace(Protocol):
    """What names a place by public ids; empty where it does not say."""

    @property
    def place(self) -> str:
        """The property."""

    @property
    def controller(self) -> str:
        """The controller."""

    @property
    def path(self) -> str:
        """The wire path."""


@dataclass(frozen=True)
class EventPlaces:
    """The places that some reports name, by public id."""

    properties: dict[str, Property]
    controllers: dict[str, Controller]
    paths: dict[str, WirePath]

    def where(self, named: NamesPlace) -> Where:
        """Where a report lies, by the narrowest place it names; a controller's only wire path
        goes with it. Raises Invalid where a place is not there or they do not fit together."""
        refuse_defects("event", self._unknown(named))
        if named.path:
            where = Where.of_path(self.paths[named.path])
        elif named.controller:
            where = _where_of_controller(self.controllers[named.controller])
        else:
            where = Where(self.properties[named.place])
        refuse_defects("event", _apart(named, where))
        return where

    def path_ids(self) -> set[int]:
        """The primary keys of all wire paths that are meant."""
        alone = (_where_of_controller(one).path for one in self.controllers.values())
        return {path.pk for path in (*self.paths.values(), *alone) if path is not None}

    def _unknown(self, named: NamesPlace) -> Iterator[Defect]:
        if named.path and named.path not in self.paths:
            yield Defect("/path", f"there is no wire path {named.path[:60]}", "one that is there")
        if named.controller and named.controller not in self.controllers:
            what = f"there is no controller {named.controller[:60]}"
            yield Defect("/controller", what, "one that is there")
        if named.place and named.place not in self.properties:
            yield Defect("/property", f"there is no property {named.place[:60]}", "one there is")


def event_places(reports: Sequence[NamesPlace]) -> EventPlaces:
    """The places that these reports name: at most four queries."""
    ids = {name: sorted({getattr(r, name) for r in reports} - {""}) for name in _NAMES}
    live = Prefetch(
        "paths", WirePath.objects.filter(ended_at__isnull=True).order_by("pk"), to_attr="live_paths"
    )
    properties = Property.objects.filter(public_id__in=ids["place"])
    controllers = Controller.objects.select_related("property").prefetch_related(live)
    paths = WirePath.objects.select_related("controller__property")
    return EventPlaces(
        {row.public_id: row for row in properties},
        {row.public_id: row for row in controllers.filter(public_id__in=ids["controller"])},
        {row.public_id: row for row in paths.filter(public_id__in=ids["path"])},
    )


_NAMES = ("place", "controller", "path")


def _where_of_controller(controller: Controller) -> Where:
    paths: list[WirePath] = controller.live_paths  # type: ignore[attr-defined]
    return Where(controller.property, controller, paths[0] if len(paths) == 1 else None)


def _apart(named: NamesPlace, where: Where) -> Iterator[Defect]:
    if named.controller and where.controller and named.controller != where.controller.public_id:
        yield Defect("/controller", "the wire path is on another controller", "leave it out")
    if named.place and named.place != where.place.public_id:
        yield Defect("/property", "the controller is on another property", "leave it out")
