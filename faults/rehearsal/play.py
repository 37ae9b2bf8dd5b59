"""A whole trace against the truth, and what its ending was worth.

The truth is used twice and apart from the engine: the field answers from it, and the ending is
judged by it. The engine begins with :func:`blind_problem`, from which it has been taken out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from faults.rehearsal.field import Field
from faults.rehearsal.rehearsal import Rehearsal
from faults.rehearsal.unmapped import true_places
from faults.tracing.observations import Observation
from faults.tracing.problem import TraceProblem
from faults.tracing.session import begin
from faults.tracing.step import Step, Suspect, Verdict
from sites.network.faults import Place

PLACES_OF_THE_PATH = frozenset({"device", "splice", "segment", "unmapped"})
"""Kinds of place that lie somewhere on the path, and so can be wrongly cut or dug up."""


class EndlessTrace(RuntimeError):
    """A trace that asked for more steps than the path has wires to read, many times over."""


@dataclass(frozen=True, slots=True)
class PlayedStep:
    """A step, what came back, and how long the step took to be worked out."""

    step: Step
    observation: Observation
    suggestion_ms: float


@dataclass(frozen=True, slots=True)
class Played:
    """A trace from its first step to its verdict, judged.

    ``located``: the first suspect at the end is a true place (a segment without its fraction).
    ``wrongly_proved``: a place was proved that is not the fault, or it ended *controller* or
    *not present* while a fault is there. ``suggestion_ms`` has one time for each step and one
    for the verdict.
    """

    steps: tuple[PlayedStep, ...]
    verdict: Verdict
    suggestion_ms: tuple[float, ...]
    truth: tuple[Place, ...]
    located: bool
    wrongly_proved: bool

    @property
    def proved(self) -> bool:
        """Whether a true place was proved."""
        return any(f.proved and f.at in self.truth for f in self.verdict.found)


def blind_problem(rehearsal: Rehearsal) -> TraceProblem:
    """What may be known before the trace: nothing of the faults, the ground or the seed."""
    return TraceProblem(
        path=replace(rehearsal.survey, trip_spread=0.0),
        coil_ohm=rehearsal.coil_ohm if rehearsal.coil_known else None,
        meter=rehearsal.meter,
        costs=rehearsal.costs,
        priors=rehearsal.priors,
        sound_record=rehearsal.sound_record,
        dated=rehearsal.dated,
    )


def play(rehearsal: Rehearsal, method: str = "planner", *, clock_s: Callable[[], float]) -> Played:
    """Trace the faults of a rehearsal until the verdict.

    ``clock_s`` reads a clock in seconds; it times the suggestions and takes no other part.

    Raises EndlessTrace after more steps than any trace needs, and what the engine raises.
    """
    field = Field(rehearsal)
    played: list[PlayedStep] = []
    before_s = clock_s()
    session = begin(blind_problem(rehearsal), method)
    done, step = session.done, session.step
    times_ms = [(clock_s() - before_s) * 1000.0]
    most_steps = 200 + 20 * (len(rehearsal.survey.nodes) + len(rehearsal.survey.devices))
    while done is None:
        if len(played) >= most_steps:
            raise EndlessTrace(f"no verdict after {most_steps} steps with the method {method!r}")
        observation = field.answer(step)
        played.append(PlayedStep(step, observation, times_ms[-1]))
        before_s = clock_s()
        session = session.observe(observation)
        done = session.done
        if done is None:
            step = session.step
        times_ms.append((clock_s() - before_s) * 1000.0)
    return judged(rehearsal, tuple(played), done, tuple(times_ms))


def judged(
    rehearsal: Rehearsal,
    steps: tuple[PlayedStep, ...],
    verdict: Verdict,
    suggestion_ms: tuple[float, ...],
) -> Played:
    """Hold a verdict against the truth."""
    truth = true_places(rehearsal)
    first = first_suspect(steps, verdict)
    return Played(
        steps=steps,
        verdict=verdict,
        suggestion_ms=suggestion_ms,
        truth=truth,
        located=first is not None and first in truth,
        wrongly_proved=is_wrongly_proved(verdict, truth),
    )


def first_suspect(steps: tuple[PlayedStep, ...], verdict: Verdict) -> Place | None:
    """The place with the most chance at the end: of the verdict, else of the last step."""
    ranked: tuple[Suspect, ...] = steps[-1].step.suspects if steps else ()
    if verdict.found:
        # What was proved stands first, however many rivals are listed with it.
        return max(verdict.found, key=lambda found: (found.proved, found.chance)).at
    if verdict.outcome == "controller":
        return Place("controller")
    if verdict.outcome == "not-present":
        return Place("none")
    return max(ranked, key=lambda suspect: suspect.chance).at if ranked else None


def is_wrongly_proved(verdict: Verdict, truth: tuple[Place, ...]) -> bool:
    """Whether a verdict says what is not so.

    Any place proved that is not the fault, a splice where the truth hangs unmapped among them;
    *controller* where the controller is sound; *not present* where a fault is there.
    """
    if any(found.proved and found.at not in truth for found in verdict.found):
        return True
    if verdict.outcome == "controller":
        return Place("controller") not in truth
    # A path that draws too much is not a fault of a place, but it is there all the same.
    return verdict.outcome == "not-present" and truth != (Place("none"),)
