"""What is odd in a survey without being wrong."""

from __future__ import annotations

import math
from collections.abc import Iterator

from sites.forms.defects import Defect, pointer_to
from sites.network.elements import WirePath


def survey_warnings(path: WirePath) -> tuple[Defect, ...]:
    """What may be right all the same, with pointers into the survey's document.

    A segment shorter than the straight line between its nodes; a node that the joints, as they
    are, part from the controller; a limit that no device can keep; devices that together draw
    more than the controller lets through.
    """
    return (*_short_segments(path), *_parted_nodes(path), *_not_kept(path))


def _short_segments(path: WirePath) -> Iterator[Defect]:
    where = {node.id: (node.x_m, node.y_m) for node in path.nodes}
    for place, segment in enumerate(path.segments):
        straight_m = math.dist(where[segment.from_node], where[segment.to_node])
        # Coordinates are decimal fractions: their distance may be off in the last binary digits.
        if segment.length_m < straight_m * (1.0 - 1e-9):
            what = (
                f"{segment.length_m:g} m is less than the straight line from "
                f"{segment.from_node} to {segment.to_node}, {straight_m:.2f} m"
            )
            right = f"at least {straight_m:.2f} m, or other coordinates"
            yield Defect(pointer_to("segments", place, "length_m"), what, right)


def _parted_nodes(path: WirePath) -> Iterator[Defect]:
    beside: dict[str, list[str]] = {node.id: [] for node in path.nodes}
    for segment in path.segments:
        if segment.joint_open is None:
            beside[segment.from_node].append(segment.to_node)
            beside[segment.to_node].append(segment.from_node)
    fed = {path.controller.id}
    ahead = [path.controller.id]
    while ahead:
        fresh = [one for one in beside[ahead.pop()] if one not in fed]
        fed.update(fresh)
        ahead.extend(fresh)
    for place, node in enumerate(path.nodes):
        if node.id not in fed:
            what = f"with the joints as they are, {node.id} has no connection to the controller"
            yield Defect(pointer_to("nodes", place), what, "an open joint closed, if not meant")


def _not_kept(path: WirePath) -> Iterator[Defect]:
    least_v = path.limits.min_device_v
    if least_v is not None and least_v >= path.source_v:
        what = f"{least_v:g} V at a device is no less than the source has, {path.source_v:g} V"
        yield Defect(pointer_to("path", "limits", "min_device_v"), what, "below source_v")
    draws_ma = sum(device.draw_ma for device in path.devices)
    if draws_ma > path.trip_ma:
        what = f"all devices draw {draws_ma:g} mA, more than trip_ma, {path.trip_ma:g} mA"
        yield Defect(pointer_to("path", "trip_ma"), what, "above what a sound path draws")
