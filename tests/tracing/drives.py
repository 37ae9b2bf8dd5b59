"""A session and a simulated ground played against each other, step by step, with a say in it.

The path of :func:`tree_rehearsal`, 30 m from node to node along x::

    N0 -S1- N1 -S2- N2 -S3- N3
             |       `-S4- N4
             `-S5- N5 -S6- N6           and a second leg N0 -S7- N7
    a device Dk at each Nk but N0, drawing 2 + 3 k mA
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from faults.rehearsal.field import Field
from faults.rehearsal.play import blind_problem
from faults.rehearsal.rehearsal import Rehearsal
from faults.tracing.observations import Observation
from faults.tracing.problem import Costs, Meter, TraceProblem
from faults.tracing.session import Session, begin
from faults.tracing.step import Step, Verdict
from sites.network.elements import WirePath
from sites.network.faults import Fault, Place
from tests.network.named_networks import BRANCHING, field_path

COIL_OHM = 40.0 + 100.0j
EXACT = Meter(percent=0.0, counts=0.0, resolution_ma=0.001)
Tamper = Callable[[Step, Observation], Observation]


def tree_path(edges: tuple[tuple[int, int], ...] = BRANCHING) -> WirePath:
    """A path that a short of a few ohms anywhere trips."""
    return replace(field_path(edges), trip_ma=800.0)


def tree_rehearsal(*faults: Fault, **changes: Any) -> Rehearsal:
    """The path above with these faults, an exact meter and a known coil; ``changes`` to any
    part of it."""
    base = Rehearsal(
        survey=tree_path(),
        coil_ohm=COIL_OHM,
        coil_known=True,
        faults=faults,
        meter=EXACT,
        seed=5,
        costs=Costs(),
    )
    return replace(base, **changes)


def short_at(kind: Any, where: str, resistance_ohm: float = 2.0, **changes: Any) -> Fault:
    """A short between the conductors."""
    return Fault("short", Place(kind, where), resistance_ohm=resistance_ohm, **changes)


def problem_of(rehearsal: Rehearsal) -> TraceProblem:
    """What the engine may know of a rehearsal."""
    return blind_problem(rehearsal)


def untouched(_step: Step, observation: Observation) -> Observation:
    """What the ground says, as it says it."""
    return observation


@dataclass(repr=False)
class Drive:
    """A trace under way: ``told`` is all that the session was given, ``steps`` what it asked."""

    rehearsal: Rehearsal
    tamper: Tamper = untouched
    most_steps: int = 80
    session: Session = field(init=False)
    ground: Field = field(init=False)
    told: list[Observation] = field(init=False, default_factory=list)
    steps: list[Step] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        self.session = begin(blind_problem(self.rehearsal))
        self.ground = Field(self.rehearsal)

    def once(self) -> None:
        """One step, answered."""
        step = self.session.step
        observation = self.tamper(step, self.ground.answer(step))
        self.tell(observation)
        self.steps.append(step)

    def tell(self, observation: Observation) -> None:
        """An observation, asked for or not."""
        self.session = self.session.observe(observation)
        self.told.append(observation)

    def until(self, reached: Callable[[Step], bool]) -> Step:
        """Go on until the step to do next is of a kind; it is not done yet."""
        while not reached(self.session.step):
            self._go_on()
        return self.session.step

    def to_the_end(self) -> Verdict:
        """Go on until the verdict. Fails where a trace asks for more than ``most_steps``."""
        while self.session.done is None:
            self._go_on()
        return self.session.done

    def _go_on(self) -> None:
        last = [(step.do, str(step.node or step.at or "")) for step in self.steps[-4:]]
        if len(self.told) >= self.most_steps:
            raise AssertionError(f"no end in sight; asked last: {last}")
        self.once()


def asks(do: str) -> Callable[[Step], bool]:
    """Whether a step asks for this."""
    return lambda step: step.do == do


def proves(step: Step) -> bool:
    """Whether a step belongs to the proof."""
    return step.stage == "proving"
