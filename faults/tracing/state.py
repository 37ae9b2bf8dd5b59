"""The state of a trace as a fold over its observations: rig, place, clock, evidence."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from faults.tracing.evidence import (
    CableCount,
    CurrentReading,
    Evidence,
    MessageLook,
    WireKind,
)
from faults.tracing.observations import (
    Alone,
    Cannot,
    Clamp,
    ClampSet,
    CloseJoints,
    Isolate,
    Joint,
    Message,
    Observation,
    OpenJoints,
    PathOff,
    Reference,
    Restore,
    RunStation,
)
from faults.tracing.problem import TraceProblem
from faults.tracing.rig import Rig, rig_after, rig_at_start
from faults.tracing.step import StepDo
from faults.tracing.travel import Position, start_position, step_minutes
from faults.tracing.watch import REFERENCE, LoggedReading
from sites.network.faults import Place

KEPT_ONLY = "kept, but not reckoned with yet: "
LEAKAGE_ONLY = (
    "both conductors in the jaw cancel, so that reading tells of leakage to earth alone: where one "
    "conductor is asked for, clamp one"
)


@dataclass(frozen=True, slots=True)
class TraceState:
    """Everything the observations so far amount to.

    ``log`` holds every clamp reading with the rig's state, ``sitting`` counts acts that isolate
    or restore. ``closed`` are nodes where the field cannot work, ``blocked`` the act that could
    not be done and without which there is no way on. ``reference_min`` is when the search began.
    ``proving`` is the place being proved; ``given_up`` are those whose tests at the place spoke
    against them. ``looks_off``: looks with all legs on, shown or not, and what was isolated then.
    ``zero``: a reading at this place that cleared much and may be one of both conductors.
    ``looks_since_joints``: looks with all legs on, shown or not, since joints were opened; None
    where none were.
    """

    rig: Rig
    position: Position
    minutes: float = 0.0
    evidence: Evidence = field(default_factory=Evidence)
    log: tuple[LoggedReading, ...] = ()
    sitting: int = 0
    looks_off: tuple[tuple[bool, frozenset[Place]], ...] = ()
    closed: frozenset[str] = frozenset()
    blocked: str = ""
    reference_min: float | None = None
    suspected_min: float | None = None
    proving: Place | None = None
    given_up: frozenset[Place] = frozenset()
    leakage_ma: float | None = None
    zero: LoggedReading | None = None
    looks_since_joints: tuple[bool, ...] | None = None
    joints_to_open: tuple[Joint, ...] = ()
    notes: tuple[str, ...] = ()


def state_at_start(problem: TraceProblem) -> TraceState:
    """Before the first observation."""
    return TraceState(rig=rig_at_start(problem.path), position=start_position(problem.path))


def folded(
    state: TraceState,
    problem: TraceProblem,
    observation: Observation,
    asked: StepDo | Literal["stray"],
) -> TraceState:
    """The state after one legal observation. ``asked``: what the step asked for ("stray": a clamp
    on a cable that is not on the map), which says what *cannot* means."""
    minutes, position = step_minutes(problem, state.position, observation)
    at_min = observation.at_min if observation.at_min is not None else state.minutes + minutes
    rig_before = state.rig
    state = replace(
        state,
        rig=rig_after(rig_before, observation, problem.path),
        position=position,
        minutes=max(at_min, state.minutes),
        notes=(),
    )
    match observation:
        case Message():
            return _after_message(state, rig_before, observation)
        case Reference():
            return _after_reference(state, problem, observation)
        case Clamp():
            return _after_clamp(state, problem, observation)
        case Isolate() | Restore():
            return replace(state, sitting=state.sitting + 1)
        case Cannot(node=node):
            return _after_cannot(state, node, asked)
        case OpenJoints() | CloseJoints():
            # Readings of another shape of the path no longer fit this one.
            return replace(
                state,
                evidence=replace(state.evidence, readings=()),
                log=(),
                zero=None,
                looks_since_joints=() if isinstance(observation, OpenJoints) else None,
            )
        case ClampSet() | PathOff() | RunStation() | Alone():
            return replace(state, notes=(KEPT_ONLY + observation.do.replace("_", " "),))
    return state


def _after_cannot(state: TraceState, node: str, asked: StepDo | Literal["stray"]) -> TraceState:
    """A clamp can be had elsewhere; any other act that cannot be done blocks the trace."""
    if asked == "stray":
        evidence = replace(state.evidence, no_stray=state.evidence.no_stray | {node})
        return replace(state, evidence=evidence)
    if asked == "clamp":
        return replace(state, closed=state.closed | {node})
    return replace(state, blocked=asked)


def _after_message(state: TraceState, rig: Rig, seen: Message) -> TraceState:
    if rig.isolated and seen.legs_on is not None:
        return replace(state, notes=(KEPT_ONLY + "a look with legs and a place off",))
    if rig.isolated:
        off = (*state.looks_off, (seen.shown, rig.isolated))
        return replace(state, looks_off=off)
    legs = None if seen.legs_on is None else frozenset(seen.legs_on)
    if legs is None and state.looks_since_joints is not None:
        state = replace(state, looks_since_joints=(*state.looks_since_joints, seen.shown))
    return replace(state, evidence=state.evidence.with_look(MessageLook(seen.shown, legs)))


def _after_reference(state: TraceState, problem: TraceProblem, seen: Reference) -> TraceState:
    state = replace(
        state,
        reference_min=state.minutes if state.reference_min is None else state.reference_min,
    )
    if seen.legs_on is not None:
        return replace(state, notes=(KEPT_ONLY + "a reference with some legs off",))
    controller = problem.path.controller.id
    return _with_current(state, "reference", controller, REFERENCE, seen.current_ma)


def _after_clamp(state: TraceState, problem: TraceProblem, seen: Clamp) -> TraceState:
    if state.reference_min is None:
        state = replace(state, reference_min=state.minutes)
    if seen.cables_seen is not None:
        count = CableCount(seen.node, seen.cables_seen)
        state = replace(state, evidence=state.evidence.with_count(count))
    if seen.conductor == "both":
        leakage_ma = max(seen.current_ma, state.leakage_ma or 0.0)
        return replace(state, leakage_ma=leakage_ma, notes=(LEAKAGE_ONLY,))
    if seen.legs_on is not None or state.rig.legs_off:
        return replace(state, notes=(KEPT_ONLY + "a clamp with some legs off",))
    kind: WireKind = "unmapped"
    if seen.wire is not None:
        leads = {device.id for device in problem.path.devices}
        kind = "lead" if seen.wire in leads else "segment"
    counted = seen.cables_seen is not None
    return _with_current(state, kind, seen.node, seen.wire, seen.current_ma, counted=counted)


def _with_current(
    state: TraceState,
    kind: WireKind,
    node: str,
    wire: str | None,
    current_ma: float,
    *,
    counted: bool = False,
) -> TraceState:
    logged = LoggedReading(
        node=node,
        wire=wire,
        current_ma=current_ma,
        isolated=state.rig.isolated,
        sitting=state.sitting,
        proving=state.proving is not None,
        counted=counted,
    )
    state = replace(state, log=(*state.log, logged))
    if state.rig.isolated:
        return state
    reading = CurrentReading(kind, node, wire or "", current_ma, state.minutes)
    return replace(state, evidence=state.evidence.with_reading(reading))
