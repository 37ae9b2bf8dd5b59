"""Names of things left, as somebody tells them, held against the map of their path."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import get_args

from core.problems import Defect
from faults.left_things import LeftThing
from faults.models.as_left import LeftKind
from faults.place_checks import place_on_path_defects
from sites.models.wire_path import WirePath
from sites.network.elements import End

_JOINTS = (LeftKind.JOINT_OPEN, LeftKind.JOINT_CLOSED)
_TAKEN_OUT = ("device", "splice", "segment", "unmapped")


def left_thing_named(thing: LeftThing, path: WirePath) -> LeftThing:
    """The thing with the kind of its place before a bare id, `D5` as `device:D5`, where that is
    on the map. At most three queries."""
    if thing.kind != LeftKind.ISOLATED or thing.name.partition(":")[0] in _TAKEN_OUT:
        return thing
    for kind in _TAKEN_OUT[:3]:
        if not any(place_on_path_defects("", {kind: thing.name}, path)):
            return replace(thing, name=f"{kind}:{thing.name}")
    return thing


def left_name_defects(thing: LeftThing, path: WirePath) -> Iterator[Defect]:
    """What of the name of a thing left is not on the map. A lid, a tag and anything else may be
    where the map has nothing, so their names are free. At most one query."""
    right, place = "", {}
    if thing.kind == LeftKind.LEG_OFF:
        right, place = "a segment at the controller", {"segment": thing.name}
    elif thing.kind in _JOINTS:
        segment, _, end = thing.name.rpartition("/")
        right = f"a segment and which end, such as S1/{get_args(End)[0]}"
        place = {"segment": segment if end in get_args(End) else ""}
    elif thing.kind == LeftKind.ISOLATED:
        kind, _, name = thing.name.partition(":")
        right = "a device, splice or segment of the map, such as device:D5"
        place = {kind: name}
    if place and any(place_on_path_defects("/name", place, path)):
        yield Defect("/name", f"{thing.name[:60]!r} is not on the map of this path", right)
