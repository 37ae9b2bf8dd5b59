"""Cautions in plain words, each at the step it belongs to.

They remind, they do not license: "Local codes and licensed practice go first" stands wherever
hands go into a controller or into the ground. Trade judgement throughout (common practice, no
source).
"""

from __future__ import annotations

from collections.abc import Iterator

from faults.tracing.rig import Rig
from sites.network.elements import Access
from sites.network.faults import Place

CODES_FIRST = "Local codes and licensed practice go first."
MAINS = (
    "The mains side of the controller is for licensed people: it is locked off and tagged "
    "before a cover over it comes off."
)
PROVE_DEAD = (
    "Power off, and proved dead at the terminals with a tester you have just tried, before hands "
    "go into the controller."
)
MOVE_LEGS = "Before a leg is moved: power off and proved dead; hands out before it goes on again."
HANDS_OUT = "Hands out of the controller and everybody clear of bare ends before the power goes on."
NO_THUNDER = "No tracing in thunder: at the first clap stop, leave the wires alone and wait it out."
LOOK_SHORT = (
    "Without the coil a faulted path draws all that the controller can give: look for a few "
    "seconds, then off, and as few looks as will do."
)
COIL_BEFORE = "The coil goes in before a faulted path is energised for clamping."
COIL_STAND = (
    "The coil gets hot: put it on a stand that cannot burn, away from leaves, plastic and children."
)
COIL_HOT = "The coil may still be hot: let it cool, or take it by its leads."
LOOPS_OPEN = (
    "Loop joints are opened and capped before tracing, so that no wire is fed from two sides."
)
FAR_SIDE = "A cut or lifted end can be live from the far side: cap each conductor by itself."
TEST_PAIR = "Look for volts across each pair before you join it; join nothing that is live."
TEST_FAR_PAIR = (
    "Look for volts across each pair that leads on before you join it: if any, it is fed from "
    "elsewhere; power off."
)
LIVE_THROUGH_COIL = (
    "Live through the coil: insulated tools, one conductor at a time, each capped. Power off first "
    "where codes, water or you wish it."
)
"""At the place, at low voltage, the coil limits the current; who switches off first is followed."""
JAW = "The wire is live: the jaw goes around insulation, and fingers stay off bare copper."
STATION_WATER = "The station may start to water: see that nobody and no open box is under it."
LOOK_IN = "Look before you reach in: snakes, stinging insects and spiders live in boxes."
WATER = "Water in the box: bail it out with the power off; never reach into water with it on."
TRAFFIC = "Near traffic: two people, one of them watching it, with cones out."
DIG = (
    "Before any digging have the other utilities marked and wait for it; by hand near a mark, and "
    "by the local rules for digging."
)
HOLE = (
    "Fence or cover an open hole whenever you leave it; bail out water with the power off, never "
    "reach into it with the power on."
)

_HANDS_IN = frozenset({"fit_coil", "alone"})
_READ_AT_PLACE = frozenset({"clamp", "clamp_set", "path_off"})
_WORK_AT_PLACE = frozenset({"isolate", "restore", "open_joints", "close_joints"})


def looks_so_far(count: int) -> str:
    """How many looks without the coil were taken, in words."""
    if count == 0:
        return "No look without the coil so far."
    return f"Looks without the coil so far: {count}."


def cautions_for(
    *,
    do: str,
    access: Access,
    rig: Rig,
    first_visit: bool = True,
    looks_without_coil: int = 0,
    at: Place | None = None,
) -> tuple[str, ...]:
    """The cautions of a step, each once, the one that matters most first.

    ``access`` is that of the node where the step is done (several joints: the hardest of
    them), ``rig`` the state before the step, ``first_visit`` whether this is the first step
    there, ``looks_without_coil`` how many messages and stations were looked at so far, ``at``
    the place that is isolated or restored. A ``power`` step is taken to change the power, and
    a ``fit_coil`` step the coil.
    """
    found: list[str] = []
    if do == "power":
        found.extend(_power(rig, looks_without_coil))
    elif do in ("message", "run_station"):
        found.extend(_look(do, looks_without_coil))
    elif do in _HANDS_IN:
        found.extend(_hands_in(do, rig))
    elif do == "reference":
        found.extend((JAW, MAINS, COIL_STAND, MOVE_LEGS, CODES_FIRST))
    elif do in _READ_AT_PLACE:
        found.append(JAW)
    elif do in _WORK_AT_PLACE:
        found.extend(_work(do, rig))
    else:
        return ()
    if do in _READ_AT_PLACE | _WORK_AT_PLACE:
        found.extend(_reaching(access, first_visit=first_visit))
        cuts = at is not None and at.kind == "segment" and do in ("isolate", "restore")
        if cuts and access != "buried":
            found.extend((DIG, CODES_FIRST))
    if first_visit and do not in _HANDS_IN:
        found.append(NO_THUNDER)
    return tuple(dict.fromkeys(found))


def _power(rig: Rig, looks_without_coil: int) -> Iterator[str]:
    """Off: prove it dead, mains apart. On: hands out, coil hot or look short."""
    if rig.power:
        yield PROVE_DEAD
        yield MAINS
        yield CODES_FIRST
        return
    yield HANDS_OUT
    if rig.isolated or rig.joints_open or rig.legs_off:
        yield FAR_SIDE
    if rig.coil:
        yield COIL_STAND
    else:
        yield COIL_BEFORE
        yield LOOK_SHORT
        yield looks_so_far(looks_without_coil)


def _look(do: str, looks_without_coil: int) -> Iterator[str]:
    yield LOOK_SHORT
    yield looks_so_far(looks_without_coil)
    if do == "run_station":
        yield STATION_WATER
    else:
        yield MOVE_LEGS
        yield MAINS
        yield CODES_FIRST


def _hands_in(do: str, rig: Rig) -> Iterator[str]:
    yield PROVE_DEAD
    yield MAINS
    if rig.coil and do == "fit_coil":
        yield COIL_HOT
    else:
        yield COIL_STAND
    if do == "fit_coil" and not rig.coil:
        yield COIL_BEFORE
    if do == "alone":
        yield HANDS_OUT
    yield CODES_FIRST


def _work(do: str, rig: Rig) -> Iterator[str]:
    if rig.power:
        yield LIVE_THROUGH_COIL
    if do == "open_joints":
        yield LOOPS_OPEN
    if do in ("open_joints", "isolate"):
        yield FAR_SIDE
    else:
        yield TEST_FAR_PAIR if rig.power else TEST_PAIR


def _reaching(access: Access, *, first_visit: bool) -> Iterator[str]:
    """What lies around the wires at a node; the way in is told once, water and mains each time."""
    if access == "box":
        if first_visit:
            yield LOOK_IN
        yield WATER
        if first_visit:
            yield TRAFFIC
    elif access == "buried":
        if first_visit:
            yield DIG
            yield TRAFFIC
            yield CODES_FIRST
        yield HOLE
    else:
        yield MAINS
        yield CODES_FIRST
