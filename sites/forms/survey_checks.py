"""What a schema cannot tell of a survey: ids, references, topology and connection.

Every check looks at the raw document and at the parts of it that can be read, so that all
defects are found at once, also beside parts of the wrong shape.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain

from sites.forms.defects import Defect, first_of, pointer_to, shown
from sites.forms.rows import all_readable, ids_in, member, numbered_rows, text_in

_LISTS = ("nodes", "segments", "devices")
_NAMES_SHOWN = 5
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f]")


def survey_defects(document: object) -> list[Defect]:
    """All defects of a survey besides those of its shape; past ``MOST_DEFECTS`` looking ends."""
    links = _links(document)
    return first_of(
        chain(
            _id_defects(document),
            _reference_defects(document),
            _controller_defects(document),
            _leg_defects(document),
            _device_defects(document),
            _topology_defects(document, links),
            _connection_defects(document, links),
        )
    )


def named(names: Sequence[str]) -> str:
    """Some ids in words, the first few of many."""
    first = ", ".join(shown(name)[1:-1] for name in names[:_NAMES_SHOWN])
    more = len(names) - _NAMES_SHOWN
    return f"{first} and {more} more" if more > 0 else first


@dataclass(frozen=True, slots=True)
class _Link:
    """A segment of which both ends are nodes of the survey."""

    id: str
    ends: tuple[str, str]
    is_closed: bool


class _Groups:
    """Disjoint sets of node ids, joined one link at a time."""

    def __init__(self, ids: Iterable[str]) -> None:
        self._above = {one: one for one in ids}

    def of(self, one: str) -> str:
        """The id that stands for the group."""
        while self._above[one] != one:
            self._above[one] = self._above[self._above[one]]
            one = self._above[one]
        return one

    def join(self, ends: tuple[str, str]) -> bool:
        """Join two groups; False where they were one already."""
        first, second = (self.of(end) for end in ends)
        self._above[first] = second
        return first != second


def _links(document: object) -> list[_Link]:
    nodes = ids_in(document, "nodes")
    links = []
    for place, row in numbered_rows(document, "segments"):
        start, end = text_in(row, "from"), text_in(row, "to")
        if start in nodes and end in nodes:
            is_closed = row.get("joint_open", False) is False
            links.append(
                _Link(text_in(row, "id") or f"number {place + 1}", (start, end), is_closed)
            )
    return links


def _id_defects(document: object) -> Iterator[Defect]:
    """Ids must be printable and be given once over nodes, segments and devices together."""
    first: dict[str, str] = {}
    for name in _LISTS:
        for place, row in numbered_rows(document, name):
            one = text_in(row, "id")
            if one is None:
                continue
            here = pointer_to(name, place, "id")
            # The schema's pattern knows control characters, not all that cannot be printed.
            if not one.isprintable() and not _CONTROL.search(one):
                yield Defect(here, f"{shown(one)} has unprintable characters", "printable ones")
            if one in first:
                what = f"the id {shown(one)} is taken already at {first[one]}"
                yield Defect(here, what, "an id of its own; nodes, segments and devices share ids")
            else:
                first[one] = here


def _reference_defects(document: object) -> Iterator[Defect]:
    """Segments end at two nodes, devices hang at one."""
    ids = {name: ids_in(document, name) for name in _LISTS}
    if not isinstance(member(document, "nodes"), list):
        return
    for name, fields in (("segments", ("from", "to")), ("devices", ("node",))):
        for place, row in numbered_rows(document, name):
            for field in fields:
                one = text_in(row, field)
                if one is not None and one not in ids["nodes"]:
                    what = f"{_what_is(one, ids)}, not a node"
                    yield Defect(pointer_to(name, place, field), what, "the id of a node")
    for place, row in numbered_rows(document, "segments"):
        end = text_in(row, "to")
        if end is not None and end == text_in(row, "from"):
            what = f"this segment goes from {shown(end)} to itself"
            yield Defect(pointer_to("segments", place, "to"), what, "another node")


def _what_is(one: str, ids: dict[str, set[str]]) -> str:
    for name, word in (("segments", "a segment"), ("devices", "a device")):
        if one in ids[name]:
            return f"{shown(one)} is {word}"
    return f"{shown(one)} is nothing in this survey"


def _controllers(document: object) -> list[str]:
    return [
        text_in(row, "id") or f"number {place + 1}"
        for place, row in numbered_rows(document, "nodes")
        if row.get("kind") == "controller"
    ]


def _controller_defects(document: object) -> Iterator[Defect]:
    found = _controllers(document)
    right = "exactly one node of kind controller"
    if len(found) > 1:
        what = f"there are {len(found)} controllers: {named(found)}"
        yield Defect("/nodes", what, right)
    if not found and member(document, "nodes") and all_readable(document, "nodes", "kind"):
        yield Defect("/nodes", "there is no controller", right)


def _leg_defects(document: object) -> Iterator[Defect]:
    """Only a leg, a segment that ends at the controller, has an output."""
    controllers = _controllers(document)
    if len(controllers) != 1:
        return
    for place, row in numbered_rows(document, "segments"):
        ends = (text_in(row, "from"), text_in(row, "to"))
        if "output" in row and None not in ends and controllers[0] not in ends:
            what = "this segment does not end at the controller, so it has no output"
            yield Defect(pointer_to("segments", place, "output"), what, "leave output out")


def _device_defects(document: object) -> Iterator[Defect]:
    for place, row in numbered_rows(document, "devices"):
        model = row.get("model", "resistor")
        if "knee_v" in row and model in ("resistor", "power"):
            what = f"knee_v is given, but the model is {model}"
            right = 'the model "knee", or no knee_v'
            yield Defect(pointer_to("devices", place, "knee_v"), what, right)


def _topology_defects(document: object, links: list[_Link]) -> Iterator[Defect]:
    """What the survey says of its topology, against its segments without the open ones."""
    topology = member(member(document, "path"), "topology")
    groups = _Groups(ids_in(document, "nodes"))
    closing = [link.id for link in links if link.is_closed and not groups.join(link.ends)]
    if topology == "tree" and closing:
        what = f"with the joints as they are, these segments close loops: {named(closing)}"
        right = 'a joint opened in each loop (joint_open), or "meshed"'
        yield Defect("/path/topology", what, right)
    if topology == "meshed" and not closing and _is_whole(document, links):
        what = "with the joints as they are, there is no loop"
        yield Defect("/path/topology", what, '"tree", or the loop\'s joints closed')


def _connection_defects(document: object, links: list[_Link]) -> Iterator[Defect]:
    """All nodes hang together when every joint is closed."""
    controllers = _controllers(document)
    if len(controllers) != 1 or not _is_whole(document, links):
        return
    groups = _Groups(ids_in(document, "nodes"))
    for link in links:
        groups.join(link.ends)
    apart: dict[str, list[tuple[int, str]]] = {}
    fed = groups.of(controllers[0])
    for place, row in numbered_rows(document, "nodes"):
        if (group := groups.of(row["id"])) != fed:
            apart.setdefault(group, []).append((place, row["id"]))
    for members in apart.values():
        names = named([one for _, one in members])
        verb = "are" if len(members) > 1 else "is"
        what = f"{names} {verb} not connected to the controller, even with all joints closed"
        right = "segments that lead there from the controller, or leave this part out"
        yield Defect(pointer_to("nodes", members[0][0]), what, right)


def _is_whole(document: object, links: list[_Link]) -> bool:
    """Whether all nodes and segments can be read, so that what is missing is not there."""
    segments = member(document, "segments")
    return (
        all_readable(document, "nodes", "id", "kind")
        and isinstance(segments, list)
        and len(links) == len(segments)
    )


def leg_ids(document: object) -> set[str]:
    """The segments of a raw survey that end at its controller."""
    controllers = set(_controllers(document))
    return {link.id for link in _links(document) if controllers.intersection(link.ends)}
