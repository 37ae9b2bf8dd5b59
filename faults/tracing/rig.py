"""The rig: what is on, fitted, off, open, isolated, uncovered and tagged, and what is legal.

The state is a fold over the observations (:func:`replay`). :func:`rig_refusal` is the table
of legal steps, held before an observation is believed; :func:`rig_after` applies a legal one.

Choices where the form leaves room:

* a trace starts with the power on, the coil out and all legs on; joints that the survey has
  open are open, and stand in *as left* with the others;
* ``message`` and ``reference`` are acts at the controller: with other ``legs_on`` they hold
  power off, moving legs and power on, and leave the legs as named (absent: all on). A ``clamp``
  does not move legs: its ``legs_on`` (absent: all) must be what the rig has;
* ``path_off`` switches the path off for its one reading and on again;
* ``alone`` starts with the power off and the coil in, is switched on for its one reading and
  leaves the power off, the coil in and everything else as it was;
* power that is already so, and a coil that is already so, are accepted: nothing changes;
* an isolated device's lifted lead, a leg that is off and the lead that stands in for an
  isolated segment may be clamped;
* a lid, or a hole, stays in *as left* from the first work there: no observation says that it
  is down again, so the hand-over asks for each.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from faults.tracing.observations import (
    Cannot,
    Clamp,
    ClampSet,
    CloseJoints,
    FitCoil,
    Isolate,
    Joint,
    Message,
    Observation,
    OpenJoints,
    Power,
    Reference,
    Restore,
    Strike,
)
from faults.tracing.rig_places import (
    Refusal,
    legs_of,
    nodes_worked_at,
    places_unknown,
)
from faults.tracing.step import AsLeft
from sites.network.elements import WirePath
from sites.network.faults import Condition, Place


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """The state of the rig. ``joints_open`` are all joints apart now, the survey's included."""

    power: bool = True
    coil: bool = False
    legs_off: frozenset[str] = frozenset()
    joints_open: frozenset[Joint] = frozenset()
    isolated: frozenset[Place] = frozenset()
    lids_up: frozenset[str] = frozenset()
    tags: frozenset[tuple[str, str]] = frozenset()


class IllegalReplayError(ValueError):
    """Observation ``number`` (from 1) is not legal after those before it."""

    def __init__(self, number: int, refusal: Refusal) -> None:
        super().__init__(f"observation {number}: {refusal.problem}")
        self.number = number
        self.refusal = refusal


def rig_at_start(path: WirePath) -> Rig:
    """The rig before the first observation: power on, coil out, the survey's joints open."""
    return Rig(joints_open=_survey_joints(path))


def rig_refusal(rig: Rig, observation: Observation, path: WirePath) -> Refusal | None:
    """Why ``observation`` cannot be believed with the rig as it is; None where it is legal.

    The state is looked at first, then whether what is named is on the path, then whether it
    makes sense (isolating what is isolated, opening what is open).
    """
    return (
        _state_refusal(rig, observation.do)
        or places_unknown(path, observation)
        or _sense_refusal(rig, observation, path)
    )


def rig_after(rig: Rig, observation: Observation, path: WirePath) -> Rig:
    """The rig after a legal ``observation``; an illegal one is the caller's to refuse first."""
    rig = _uncovered(rig, observation, path)
    match observation:
        case Power(on=on):
            rig = replace(rig, power=on)
        case FitCoil(fitted=fitted):
            rig = replace(rig, coil=fitted)
        case OpenJoints(done=done):
            rig = replace(rig, joints_open=rig.joints_open | set(done))
        case CloseJoints(done=done):
            rig = replace(rig, joints_open=rig.joints_open - set(done))
        case Message(legs_on=legs_on) | Reference(legs_on=legs_on):
            rig = replace(rig, legs_off=_legs_off(path, legs_on))
        case Isolate(at=at):
            rig = replace(rig, isolated=rig.isolated | {at})
        case Restore(at=at):
            rig = replace(rig, isolated=rig.isolated - {at})
        case ClampSet(node=node, readings=readings):
            tied = {(node, reading.tag) for reading in readings}
            rig = replace(rig, tags=rig.tags | tied)
    return rig


def replay(path: WirePath, observations: Sequence[Observation]) -> Rig:
    """The rig after all ``observations``, those that were struck counted as they left it.

    ``strike`` names the nth observation, counted from 1 and strikes included. A struck *act*
    (power, coil, joints, isolate, restore) was not done; a struck *reading* only loses its
    number, for the lid it lifted, the tags it tied and the legs it moved are still so.

    Raises IllegalReplayError at the first observation that is not legal where it stands, such as a
    clamp reading that rested on a coil whose fitting was struck.
    """
    struck = struck_numbers(observations)
    rig = rig_at_start(path)
    for number, observation in enumerate(observations, start=1):
        if number in struck and observation.do in ACTS:
            continue
        refusal = rig_refusal(rig, observation, path)
        if refusal is None and isinstance(observation, Strike) and observation.step >= number:
            refusal = Refusal(
                f"Step {observation.step} has not been answered yet; strike an earlier one.",
                "/step",
            )
        if refusal is not None:
            raise IllegalReplayError(number, refusal)
        rig = rig_after(rig, observation, path)
    return rig


def struck_numbers(observations: Sequence[Observation]) -> frozenset[int]:
    """Which observations (from 1) are withdrawn; a strike that is itself struck does nothing."""
    struck: set[int] = set()
    for number in range(len(observations), 0, -1):
        observation = observations[number - 1]
        if isinstance(observation, Strike) and number not in struck:
            struck.add(observation.step)
    return frozenset(struck)


def as_left(rig: Rig) -> AsLeft:
    """The rig as it stands in a step or verdict: the same facts, sorted."""
    return AsLeft(
        power=rig.power,
        coil=rig.coil,
        legs_off=tuple(sorted(rig.legs_off)),
        joints_open=tuple(sorted(rig.joints_open)),
        isolated=tuple(sorted(rig.isolated, key=lambda place: (place.kind, place.id))),
        lids_up=tuple(sorted(rig.lids_up)),
        tags=tuple(sorted(rig.tags)),
    )


def rig_condition(rig: Rig, path: WirePath, coil_ohm: complex | None) -> Condition:
    """The condition that the circuit engine solves for the rig (no faults in it).

    ``coil_ohm`` is the coil's impedance, left out of the condition while the coil is out.
    """
    survey = _survey_joints(path)
    return Condition(
        coil_ohm=coil_ohm if rig.coil else None,
        isolated=rig.isolated,
        legs_off=rig.legs_off,
        joints_open=rig.joints_open - survey,
        joints_closed=survey - rig.joints_open,
    )


ACTS = frozenset({"power", "open_joints", "close_joints", "fit_coil", "isolate", "restore"})
"""What changes the rig and reads nothing; the other kinds bring a reading or a word."""

_LOOKS = frozenset({"message", "run_station"})
_CLAMPED = frozenset({"reference", "clamp", "clamp_set", "path_off"})
_POWER_OFF_FIRST = {
    "open_joints": "before joints are opened",
    "close_joints": "before joints are closed",
    "fit_coil": "before hands go into the controller for the coil",
    "alone": "before the device is fitted to the controller",
}

_SWITCH_OFF = "Switch the power off and prove it dead"
_SWITCH_ON = "Switch the power on"
_COIL_IN = "power off, the coil in, power on"


def _state_refusal(rig: Rig, do: str) -> Refusal | None:
    """The table of legal steps by power and coil."""
    problem: str | None = None
    if do in _LOOKS:
        problem = _look_problem(rig, do)
    elif do in _CLAMPED:
        problem = _clamp_problem(rig, do)
    elif do in _POWER_OFF_FIRST:
        if rig.power:
            problem = f"The power is on. {_SWITCH_OFF} first, {_POWER_OFF_FIRST[do]}."
        elif do == "alone" and not rig.coil:
            problem = (
                "The coil is out, and without it the controller would cut a shorted device off "
                "before it can be clamped. Fit the coil first."
            )
    elif do in ("isolate", "restore") and rig.power and not rig.coil:
        problem = (
            "The power is on without the coil, so the wires at the place carry all that the "
            f"controller can give. {_SWITCH_OFF} first; or, to work with it on: {_COIL_IN}."
        )
    return None if problem is None else Refusal(problem, "/do")


def _look_problem(rig: Rig, do: str) -> str | None:
    what = "run a station" if do == "run_station" else "look for the message"
    if rig.coil:
        return (
            "The coil is in, and with it the controller cannot show its overcurrent message, "
            f"so what was seen tells nothing. {_SWITCH_OFF} and take the coil out first; "
            f"then switch on and {what}."
        )
    if not rig.power:
        return f"The power is off, so no message can show. {_SWITCH_ON} first, then {what}."
    return None


def _clamp_problem(rig: Rig, do: str) -> str | None:
    if not rig.coil:
        return (
            "The coil is out, and without it the controller cuts a faulted path off, so there "
            f"is no steady current to clamp. Do this first: {_COIL_IN}."
        )
    if not rig.power:
        why = "so there is nothing to clamp"
        if do == "path_off":
            why = "but this reading switches one path off out of a running rig"
        return f"The power is off, {why}. {_SWITCH_ON} first (the coil is in)."
    return None


def _sense_refusal(rig: Rig, observation: Observation, path: WirePath) -> Refusal | None:
    """What is legal by power and coil but cannot be so."""
    match observation:
        case OpenJoints(done=done):
            return _joint_refusal(done, lambda joint: joint in rig.joints_open, "open")
        case CloseJoints(done=done):
            return _joint_refusal(done, lambda joint: joint not in rig.joints_open, "closed")
        case Isolate(at=at) if at in rig.isolated:
            return Refusal(f"The {at} is isolated already. Restore it first, if it was.", "/at")
        case Restore(at=at) if at not in rig.isolated:
            off = ", ".join(str(place) for place in as_left(rig).isolated) or "none"
            return Refusal(
                f"The {at} is not isolated, so it cannot be restored. Isolated now: {off}.", "/at"
            )
        case Clamp(legs_on=legs_on):
            return _clamp_legs_refusal(rig, legs_on, path)
        case ClampSet(readings=readings):
            return _tags_refusal([reading.tag for reading in readings])
        case Strike(step=step) if step < 1:
            return Refusal("Steps are counted from 1.", "/step")
        case _:
            return None


def _joint_refusal(
    done: tuple[Joint, ...], is_so: Callable[[Joint], bool], state: str
) -> Refusal | None:
    """Joints that are in the state already, or named twice."""
    for index, joint in enumerate(done):
        segment, end = joint
        pointer = f"/done/{index}"
        if joint in done[:index]:
            return Refusal(f"The joint of {segment} at its {end} end is named twice.", pointer)
        if is_so(joint):
            return Refusal(
                f"The joint of {segment} at its {end} end is {state} already. "
                "Name only the joints that were changed.",
                pointer,
            )
    return None


def _clamp_legs_refusal(
    rig: Rig, legs_on: tuple[str, ...] | None, path: WirePath
) -> Refusal | None:
    """A clamp reading counts for the legs that are on; it cannot move them."""
    if _legs_off(path, legs_on) == rig.legs_off:
        return None
    now = sorted(set(legs_of(path)) - rig.legs_off)
    named = "all legs" if legs_on is None else f"legs {list(legs_on)}"
    return Refusal(
        f"This reading is given for {named} on, but the legs on are {now}. Say legs_on: {now} "
        "if that is how it was read; else change the legs at the controller first, with a "
        "reference that carries the legs_on wanted.",
        "/legs_on",
    )


def _tags_refusal(tags: Sequence[str]) -> Refusal | None:
    for index, tag in enumerate(tags):
        if tag in tags[:index]:
            return Refusal(
                f"Tag {tag!r} stands on two wires of this set. Give each wire its own tag.",
                f"/readings/{index}/tag",
            )
    return None


def _legs_off(path: WirePath, legs_on: tuple[str, ...] | None) -> frozenset[str]:
    return frozenset() if legs_on is None else frozenset(legs_of(path)) - set(legs_on)


def _uncovered(rig: Rig, observation: Observation, path: WirePath) -> Rig:
    """The rig with the lids up that this work lifts; a cabinet has no lid."""
    if isinstance(observation, Cannot):
        return rig
    worked = set(nodes_worked_at(path, observation))
    lifted = {node.id for node in path.nodes if node.id in worked and node.access != "cabinet"}
    return replace(rig, lids_up=rig.lids_up | lifted) if lifted - rig.lids_up else rig


def _survey_joints(path: WirePath) -> frozenset[Joint]:
    return frozenset(
        (segment.id, segment.joint_open)
        for segment in path.segments
        if segment.joint_open is not None
    )
