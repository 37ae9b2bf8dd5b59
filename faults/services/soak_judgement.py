"""What is read at a soak check, held against what a return test would hold it against."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from core.problems import Conflict, Stale
from faults.leg_doubts import LegRead, leg_warnings, terminal_warnings
from faults.leg_volts import LeastVolts
from faults.services.leg_expectations import (
    LegExpectation,
    LegPredicted,
    legs_expected,
    legs_predicted,
    terminals_least,
)
from faults.services.leg_judgement import judged
from faults.tracing.problem import Meter
from sites.models.wire_path import WirePath
from sites.network import elements
from sites.network_snapshot import path_network

UNPREDICTED = "The map cannot be predicted, so what was read is held against nothing."


@dataclass(frozen=True)
class SoakJudged:
    """What each leg that was read should read, by its name, and which of them lie within;
    ``terminals``: the least there. ``outside`` and ``warnings`` are sentences."""

    legs: dict[str, tuple[LegExpectation, bool]]
    terminals: LeastVolts | None
    outside: tuple[str, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class SoakStandard:
    """The circuit of a path as it was when it was solved; ``predicted`` is empty where it cannot
    be."""

    path: WirePath
    network: elements.WirePath
    predicted: tuple[LegPredicted, ...]

    def judged(self, legs: Sequence[LegRead], terminal_v: float | None) -> SoakJudged:
        """What was read, held against it, with a meter of which nothing is known. Raises Stale
        where the map changed meanwhile."""
        path = WirePath.objects.get(pk=self.path.pk)
        if path.revision != self.path.revision:
            raise Stale("The map was changed meanwhile: read the soak check again.")
        read = {one.leg for one in legs}
        should = [one for one in legs_expected(path, self.predicted, Meter()) if one.leg in read]
        found = judged(should, legs, terminals_least(self.predicted))
        doubts = leg_warnings(self.network, legs) + terminal_warnings(self.network, terminal_v)
        return SoakJudged(
            legs={one.should.leg: (one.should, not any(one.failures)) for one in found.legs},
            terminals=found.terminals if terminal_v is not None else None,
            outside=tuple(found.failures(terminal_v)),
            warnings=tuple(doubts if self.predicted else [*doubts, UNPREDICTED]),
        )


def soak_standard(path: WirePath) -> SoakStandard:
    """The circuit of a path: one solve, outside a transaction."""
    network = path_network(path)
    try:
        return SoakStandard(path, network, legs_predicted(network))
    except Conflict:
        return SoakStandard(path, network, ())
