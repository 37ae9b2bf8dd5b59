"""How likely the looks for the message are under every place, each R_f and draw scale."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from faults.tracing.assumptions import Assumptions
from faults.tracing.evidence import Evidence, looks_tallied
from faults.tracing.messages import full_current_ma, looks_log_chance, report_log_chance
from faults.tracing.observations import Joint
from faults.tracing.prediction import FaultSet, place_faults, solve_sound
from faults.tracing.problem import TraceProblem
from faults.tracing.tree_view import TreeView, build_tree_view

FloatArray = NDArray[np.float64]

LOOK_TABLE = 600
"""Points of the table of chances by current, to three times the trip: a 200th of it apart."""


@dataclass(frozen=True, slots=True)
class LookReckoner:
    """Looks on one tree; ``joints_open`` are those of the tree.

    ``_tables`` keeps the chances by current of each count of looks, shown and not.
    """

    problem: TraceProblem
    view: TreeView
    beliefs: Assumptions
    joints_open: frozenset[Joint]
    _tables: dict[tuple[int, int], FloatArray] = field(
        default_factory=dict, repr=False, compare=False
    )

    def log_chance(self, evidence: Evidence, faults: FaultSet) -> FloatArray:
        """log chance of the report and of all looks for the message (K, R, S)."""
        current = full_current_ma(faults, self.problem)
        whole_shown = whole_not = 0
        logs: FloatArray = np.zeros((1, 1, 1))
        for legs_on, shown, not_shown in looks_tallied(evidence.looks):
            if legs_on is None:
                whole_shown, whole_not = shown, not_shown
                continue
            seen = self._current_on(legs_on, faults)
            logs = logs + np.interp(seen, self._currents, self._looks_table(shown, not_shown))
        reported = report_log_chance(self._currents, self.problem, self.beliefs)
        whole = reported + self._looks_table(whole_shown, whole_not)
        return np.asarray(logs + np.interp(current, self._currents, whole))

    @property
    def _currents(self) -> FloatArray:
        return np.linspace(0.0, 3.0 * self.problem.path.trip_ma, LOOK_TABLE)

    def _looks_table(self, shown: int, not_shown: int) -> FloatArray:
        """log chance of the looks (LOOK_TABLE,) at each of the table's currents."""
        table = self._tables.get((shown, not_shown))
        if table is None:
            table = looks_log_chance(shown, not_shown, self._currents, self.problem, self.beliefs)
            table.flags.writeable = False
            self._tables[shown, not_shown] = table
        return table

    def _current_on(self, legs_on: frozenset[str], faults: FaultSet) -> FloatArray:
        """The current without the coil with some legs on."""
        if not legs_on:
            return np.zeros((1, 1, 1))
        legs = set(self.view.downstream_segments[self.problem.path.controller.id])
        part = build_tree_view(
            self.problem.path,
            joints_open=self.joints_open,
            legs_off=frozenset(legs - legs_on),
        )
        where = {place: i for i, place in enumerate(part.place_of_point)}
        points = [
            where.get(self.view.place_of_point[p], -1) if p >= 0 else -1 for p in faults.points
        ]
        kept = place_faults(
            solve_sound(part, faults.sound.scales),
            np.array(points, dtype=np.int64),
            faults.resistance_ohm,
        )
        return full_current_ma(kept, self.problem)
