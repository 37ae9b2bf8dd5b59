"""A trace: begin it, take its step, give it what the field saw, until it is done.

A :class:`Session` is a value. ``observe`` returns the session after one more observation; the
state is a fold over all of them, so the same observations always give the same step.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal, get_args

from faults.tracing import explain
from faults.tracing.act import Act, Ending
from faults.tracing.asked_again import zero_told
from faults.tracing.assumptions import Assumptions
from faults.tracing.case import PLACE_KINDS, Case
from faults.tracing.cautions import cautions_for
from faults.tracing.contradiction import ProofHeld
from faults.tracing.course import next_act
from faults.tracing.observations import Joint, Observation, Strike
from faults.tracing.planner import Method, Planner
from faults.tracing.posterior import Posterior
from faults.tracing.problem import TraceProblem
from faults.tracing.proving import SUSPECTED
from faults.tracing.reckoner import Reckoner
from faults.tracing.remaining import remaining_minutes
from faults.tracing.rig import ACTS, as_left, rig_after, rig_refusal
from faults.tracing.state import TraceState, folded, state_at_start
from faults.tracing.step import Step, StepDo, Verdict
from faults.tracing.travel import step_minutes
from faults.tracing.tree_view import NotATree, build_tree_view, loop_joints
from sites.network.elements import Access

LOST = 0.5
"""A suspect whose chance falls below this while it is being proved is given up."""


class Refused(ValueError):
    """An observation that cannot be believed; ``pointer`` is the field that is wrong."""

    def __init__(self, problem: str, pointer: str) -> None:
        super().__init__(problem)
        self.problem = problem
        self.pointer = pointer


@dataclass(frozen=True, slots=True)
class Told:
    """One observation, the step it answered, and whether it was struck later."""

    observation: Observation
    step: int
    asked: StepDo | Literal["stray"]
    struck: bool = False


@dataclass(frozen=True)
class Session:
    """A trace at one moment: ``step`` is what to do next, ``done`` the verdict at its end."""

    problem: TraceProblem
    beliefs: Assumptions
    planner: Planner
    reckoner: Reckoner
    state: TraceState
    posterior: Posterior
    closed_loops: tuple[Joint, ...] = ()
    told: tuple[Told, ...] = ()
    number: int = 1
    held: ProofHeld | None = None

    @cached_property
    def case(self) -> Case:
        """This moment, as decisions see it."""
        return Case(
            problem=self.problem,
            state=self.state,
            posterior=self.posterior,
            reckoner=self.reckoner,
            planner=self.planner,
            closed_loops=self.closed_loops,
            held=self.held,
        )

    @cached_property
    def act(self) -> Act | Ending:
        """What comes next, bare."""
        return next_act(self.case)

    @property
    def done(self) -> Verdict | None:
        """The verdict, or None while there is a step to do."""
        if not isinstance(self.act, Ending):
            return None
        state = self.state
        search = None
        if state.suspected_min is not None and state.reference_min is not None:
            search = state.suspected_min - state.reference_min
        found = self.act.found or self.case.suspects(3)
        return Verdict(
            outcome=self.act.outcome,
            found=found,
            observations=len(self.told),
            search_minutes=search,
            minutes=state.minutes,
            as_left=as_left(state.rig),
            reason=self.act.reason,
        )

    @cached_property
    def step(self) -> Step:
        """The next step. Raises ValueError when the trace is done."""
        act = self.act
        if isinstance(act, Ending):
            raise ValueError("the trace is done; its verdict is in done")
        bare = Step(
            number=self.number,
            stage=act.stage,
            do=act.do,
            on=act.on,
            joints=act.joints,
            legs_on=act.legs_on,
            fitted=act.fitted,
            node=act.node,
            wire=act.wire,
            conductor=act.conductor,
            at=act.at,
            step_minutes=0.0,
            remaining_p50_min=0.0,
            remaining_p90_min=0.0,
            why=explain.why(self.case, act),
            as_left=as_left(self.state.rig),
            notes=self.state.notes,
        )
        minutes, position = step_minutes(self.problem, self.state.position, bare)
        p50, p90 = remaining_minutes(self.case, act, minutes)
        visited = {r.node for r in self.state.log}
        if self.told:
            visited.add(self.problem.path.controller.id)
        return replace(
            bare,
            step_minutes=minutes,
            remaining_p50_min=p50,
            remaining_p90_min=max(p50, p90),
            expect=explain.expectations(self.case, act),
            suspects=explain.suspects(self.case),
            cautions=cautions_for(
                do=act.do,
                access=self._access(position.node),
                rig=self.state.rig,
                first_visit=position.node not in visited,
                looks_without_coil=len(self.state.evidence.looks),
                at=act.at,
            ),
        )

    def _access(self, node_id: str) -> Access:
        return next(n.access for n in self.problem.path.nodes if n.id == node_id)

    def observe(self, observation: Observation) -> Session:
        """The session after one more observation, asked for or not.

        Raises :class:`Refused` where it cannot be believed or makes no sense; the session it is
        called on stays as it was.
        """
        if isinstance(observation, Strike):
            return self._strike(observation)
        refusal = rig_refusal(self.state.rig, observation, self.problem.path)
        if refusal is not None:
            raise Refused(refusal.problem, refusal.pointer)
        told = Told(observation, self.number, self._asked)
        return self.advanced(told)

    @property
    def _asked(self) -> StepDo | Literal["stray"]:
        act = self.act
        if isinstance(act, Ending):
            return "clamp"
        return "stray" if act.do == "clamp" and act.wire is None else act.do

    def advanced(self, told: Told) -> Session:
        """After an observation that has been found legal."""
        held = self._proof_held()
        state = folded(self.state, self.problem, told.observation, told.asked)
        reckoner, before, loops = self.reckoner, self.posterior, self.closed_loops
        if state.rig.joints_open != self.state.rig.joints_open:
            reckoner, loops = make_reckoner(self.problem, self.beliefs, state.rig.joints_open)
            before = reckoner.reckon(state.evidence)
        posterior = before
        if state.evidence != self.state.evidence or before is not self.posterior:
            posterior = reckoner.reckon(state.evidence, before)
        if len(state.log) > len(self.state.log):
            state = zero_told(state, before)
        session = replace(
            self,
            reckoner=reckoner,
            state=state,
            posterior=posterior,
            closed_loops=loops,
            told=(*self.told, told),
            number=self.number + 1,
            held=held,
        )
        marked = _marked(session.case)
        # Kept as it is where nothing was marked: its case has been worked out already.
        return session if marked is session.state else replace(session, state=marked)

    def _proof_held(self) -> ProofHeld | None:
        """The proof that stands now, if any: what comes next is held against it."""
        suspect = self.state.proving
        if suspect is None or (self.held is not None and self.held.suspect == suspect):
            return self.held
        if not isinstance(self.act, Ending) or self.act.outcome != "proved":
            return self.held
        evidence, log = self.state.evidence, self.state.log
        return ProofHeld(suspect, self.posterior, len(log), len(evidence.counts))

    def _strike(self, strike: Strike) -> Session:
        """Fold everything anew without what the step was answered with.

        A struck act counts as not done; a struck reading keeps the lids and legs it moved. An
        act that later ones rest on cannot be struck.
        """
        if not any(told.step == strike.step and not told.struck for told in self.told):
            raise Refused(
                f"step {strike.step} has no answer to strike: name an earlier step", "/step"
            )
        told = tuple(replace(t, struck=True) if t.step == strike.step else t for t in self.told)
        session = begin(self.problem, self.planner.method, self.beliefs)
        for entry in told:
            if entry.struck:
                session = session.skipped(entry)
                continue
            refusal = rig_refusal(session.state.rig, entry.observation, self.problem.path)
            if refusal is not None:
                raise Refused(
                    f"step {strike.step} cannot be struck, for step {entry.step} rests on it: "
                    f"{refusal.problem}",
                    "/step",
                )
            session = session.advanced(entry)
        return replace(session, number=self.number + 1)

    def skipped(self, told: Told) -> Session:
        """After an observation that was struck: only what cannot be undone is kept."""
        minutes, position = step_minutes(self.problem, self.state.position, told.observation)
        at_min = told.observation.at_min
        rig = self.state.rig
        if told.observation.do not in ACTS:
            rig = rig_after(rig, told.observation, self.problem.path)
        state = replace(
            self.state,
            rig=rig,
            position=position,
            minutes=at_min if at_min is not None else self.state.minutes + minutes,
        )
        return replace(self, state=state, told=(*self.told, told), number=self.number + 1)


def _marked(case: Case) -> TraceState:
    """The state with what the chances now say of the suspect: which place is being proved, and
    when one first reached the chance that ends the search."""
    state = case.state
    if state.reference_min is None:
        return state
    place, chance = case.ranked(1)[0]
    if state.suspected_min is None and chance >= SUSPECTED:
        state = replace(state, suspected_min=state.minutes)
    if state.proving is not None and case.chance_of(state.proving) < LOST:
        tested = state.proving in case.tested
        given_up = state.given_up | {state.proving} if tested else state.given_up
        state = replace(state, proving=None, given_up=given_up)
    fresh = place.kind in PLACE_KINDS and place not in state.given_up
    if state.proving is None and chance >= SUSPECTED and fresh:
        state = replace(state, proving=place)
    return state


def make_reckoner(
    problem: TraceProblem, beliefs: Assumptions, joints_open: frozenset[Joint]
) -> tuple[Reckoner, tuple[Joint, ...]]:
    """A reckoner for the path as it is now, and the joints that still close loops.

    Loops are cut in the picture at the joints that are going to be opened; nothing is inferred
    until they are.
    """
    loops: tuple[Joint, ...] = ()
    try:
        view = build_tree_view(problem.path, joints_open=joints_open)
    except NotATree:
        loops = loop_joints(problem.path, joints_open=joints_open)
        joints_open = joints_open | frozenset(loops)
        view = build_tree_view(problem.path, joints_open=joints_open)
    return Reckoner(problem, view, beliefs, joints_open=joints_open), loops


def begin(
    problem: TraceProblem,
    method: Method | str = "planner",
    beliefs: Assumptions | None = None,
) -> Session:
    """A trace before its first observation.

    Raises ValueError for a method that does not exist.
    """
    if method not in get_args(Method):
        raise ValueError(f"no method {method!r}: expected one of {', '.join(get_args(Method))}")
    beliefs = beliefs or Assumptions()
    state = state_at_start(problem)
    reckoner, loops = make_reckoner(problem, beliefs, state.rig.joints_open)
    return Session(
        problem=problem,
        beliefs=beliefs,
        planner=Planner(problem, method),  # type: ignore[arg-type]
        reckoner=reckoner,
        state=state,
        posterior=reckoner.reckon(state.evidence),
        closed_loops=loops,
    )
