"""What to bring to a call, from what is suspected and where it lies.

Which tool and part a kind of fault wants is common practice, no source; the counts are those of
one repair at each likely place, once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

LIKELY = 0.9
"""Suspects are brought for, the likeliest first, until they hold so much of the chance."""
SPARE_CABLE_M = 10.0
"""Cable for a bridged piece; a longer one is measured first."""
ALWAYS = ("milliamp clamp meter", "volt and ohm meter", "known-good coil on its stand")
DIGGING = "digging tools, and marks of other utilities asked for"


@dataclass(frozen=True, slots=True)
class Suspected:
    """A place under suspicion: its kind (``device``, ``splice``, ``segment``, else), its name on
    the map, and its chance."""

    kind: str
    name: str
    chance: float


@dataclass(frozen=True, slots=True)
class Ground:
    """What the map says of a path: access by node, node and kind (``device_words``) by device,
    conductor by segment, and the nodes at a segment's ends."""

    access: Mapping[str, str] = field(default_factory=dict)
    devices: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    conductors: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Brought:
    """A thing to bring: how many, 0 where a count says nothing, and for what."""

    thing: str
    count: int
    why: str


def what_to_bring(suspects: Sequence[Suspected], ground: Ground) -> tuple[Brought, ...]:
    """Things in order: what every trace wants, then what the likely suspects want.

    Without suspects, as before a trace: what one repair of each kind on this path would want.
    """
    likely = _likely(suspects)
    found = [Brought(one, 0, "every trace") for one in ALWAYS]
    if likely:
        found += [thing for one in likely for thing in _for(one, ground)]
    else:
        found += _for_anything(ground)
    return _gathered(found)


def device_words(kind: str, outputs: int | None, model: str) -> str:
    """A device by all that tells whether a spare one fits: ``decoder, 2 outputs, T4``."""
    counted = f"{outputs} output{'' if outputs == 1 else 's'}" if outputs else ""
    return ", ".join(word for word in (kind, counted, model) if word)


def _likely(suspects: Sequence[Suspected]) -> list[Suspected]:
    taken: list[Suspected] = []
    held = 0.0
    for one in sorted(suspects, key=lambda one: -one.chance):
        if held >= LIKELY:
            break
        taken.append(one)
        held += one.chance
    return taken


def _for(one: Suspected, ground: Ground) -> Iterator[Brought]:
    if one.kind == "device":
        node, kind = ground.devices.get(one.name, ("", "device"))
        yield Brought(f"spare {kind}", 1, f"device {one.name}")
        yield Brought("watertight splice kit", 2, f"device {one.name}")
        yield from _digging(ground.access.get(node, ""), f"at {node}")
    elif one.kind == "splice":
        yield Brought("watertight splice kit", 2, f"the splice at {one.name}")
        yield from _digging(ground.access.get(one.name, ""), f"at {one.name}")
    elif one.kind == "segment":
        conductor = ground.conductors.get(one.name, "")
        cable = f"two-wire cable, {conductor}" if conductor else "two-wire cable"
        yield Brought(f"{SPARE_CABLE_M:.0f} m of {cable}", 1, f"cable run {one.name}")
        yield Brought("watertight splice kit", 4, f"cable run {one.name}")
        yield from _digging("buried", f"cable run {one.name}")


def _digging(access: str, where: str) -> Iterator[Brought]:
    if access == "buried":
        yield Brought(DIGGING, 0, where)
        yield Brought("a second person", 0, f"digging {where}")


def _for_anything(ground: Ground) -> Iterator[Brought]:
    yield Brought("watertight splice kit", 4, "one repair of a cable run")
    for kind in sorted({kind for _, kind in ground.devices.values()}):
        yield Brought(f"spare {kind}", 1, "devices of this path")
    for conductor in sorted(set(ground.conductors.values())):
        yield Brought(f"{SPARE_CABLE_M:.0f} m of two-wire cable, {conductor}", 1, "this path")
    if "buried" in ground.access.values():
        yield Brought(DIGGING, 0, "buried splices of this path")


def _gathered(found: Iterable[Brought]) -> tuple[Brought, ...]:
    """Each thing once: the greatest count of one place, since one fault is repaired."""
    by_thing: dict[str, Brought] = {}
    for one in found:
        before = by_thing.get(one.thing)
        if before is None:
            by_thing[one.thing] = one
            continue
        whys = before.why if one.why in before.why.split("; ") else f"{before.why}; {one.why}"
        by_thing[one.thing] = Brought(one.thing, max(before.count, one.count), whys)
    return tuple(by_thing.values())
