"""What to do next, before it is dressed as a step: an act, its reason and what was weighed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from faults.tracing.observations import Joint
from faults.tracing.planner import Choice
from faults.tracing.step import Found, Outcome, Stage, StepDo
from sites.network.faults import Place


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """One act for the technician. Fields as in :class:`faults.tracing.step.Step`."""

    stage: Stage
    do: StepDo
    why: str
    on: bool | None = None
    joints: tuple[Joint, ...] | None = None
    legs_on: tuple[str, ...] | None = None
    fitted: bool | None = None
    node: str | None = None
    wire: str | None = None
    conductor: Literal["both"] | None = None
    at: Place | None = None
    choice: Choice | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """How the trace ends."""

    outcome: Outcome
    reason: str
    found: tuple[Found, ...] = ()
