"""What the history of failures says of a path as a trace begins on it."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

import numpy as np

from core.clock import now
from faults.history_snapshot import (
    Ground,
    PathHistory,
    clock_reading,
    day_of,
    failures_by_path,
    path_histories,
    place_of,
)
from faults.models.trouble import FlagKind, FlagState, RecurrenceRun, TroubleFlag
from faults.recurrence.checked import Floats, Wholes
from faults.recurrence.path_tally import Tallied
from faults.recurrence.place_weights import PathPlaces, place_weights
from faults.recurrence.state_clock import STANDING
from faults.tracing.problem import (
    LEAST_FACTOR,
    MOST_FACTOR,
    History,
    PlaceHistory,
)
from faults.trouble_search import DAYS_A_YEAR
from sites.models.wire_path import WirePath as PathRow
from sites.network.elements import WirePath
from sites.network.faults import Place, PlaceKind

_KINDS: tuple[PlaceKind, ...] = ("splice", "segment", "device")
"""As ``faults.recurrence.trouble`` numbers them."""

_NOTHING = {"rate": 0.0, "spread": 0.0, "spread_unflagged": 0.0}
DIGITS = 4
"""To which factors are kept: a trace goes by what is kept."""


def path_history(path: PathRow, network: WirePath, told: Collection[Place] = ()) -> History | None:
    """Factors of the places of a path's newest map, by the newest run over the history; None where
    it says nothing beyond what peers do. Places ``told`` are weighed by people already.

    Nothing that came after the run's moment is seen. Two queries where no place of the path ever
    failed, else some fourteen.
    """
    runs = RecurrenceRun.objects.filter(overtaken=False, as_of__lte=now())
    run = runs.order_by("-as_of", "-pk").first()
    if run is None or not run.rates or not failures_by_path([path.pk], run.as_of):
        return None
    history = next(
        iter(path_histories([path.pk], run.as_of, Ground(**run.parameters["ground"]))), None
    )
    if history is None:
        return None
    found = _weighed(history, run).places(_on_map(network) - set(told))
    places = tuple(sorted(found, key=lambda one: str(one.at)))
    return History(run.public_id, run.as_of.isoformat(), places) if places else None


def _on_map(network: WirePath) -> set[Place]:
    splices = {Place("splice", n.id) for n in network.nodes if n.kind != "controller"}
    segments = {Place("segment", one.id) for one in network.segments}
    return splices | segments | {Place("device", one.id) for one in network.devices}


@dataclass(frozen=True)
class _Weighed:
    """Arrays by unit of a path: failures, failures of the stretch around it, weights; ``years``:
    how long the path was watched."""

    tallied: Tallied
    failures: Wholes
    stretch: Wholes
    weight: Floats
    years: float

    def places(self, wanted: Collection[Place]) -> Iterator[PlaceHistory]:
        """Places that weigh more or less than their peers."""
        for unit in np.flatnonzero(self.weight.round(DIGITS) != 1.0).tolist():
            for code in self.tallied.codes[unit]:
                at = Place(_KINDS[self.tallied.tally.kind[unit]], code)
                if at in wanted:
                    yield PlaceHistory(
                        at,
                        round(float(self.weight[unit]), DIGITS),
                        int(self.failures[unit]),
                        round(self.years, 2),
                        int(self.stretch[unit]),
                    )


def _weighed(history: PathHistory, run: RecurrenceRun) -> _Weighed:
    """A path's units by the rates that a run found: one query."""
    tally, clock = history.tallied.tally, history.clock
    energised = tally.exposure(clock_reading(clock, run.as_of))
    exposure = energised @ np.array(run.rates["state_factors"])
    # What was never energised has nothing to be held against.
    counts = np.where(exposure > 0.0, tally.counts.sum(axis=1), 0).astype(np.int64)
    ratio, stretch = _stretches(history)
    kinds = [run.rates["kinds"].get(word, _NOTHING) for word in _KINDS]
    rate, spread, unflagged = (
        np.array([one[name] for one in kinds])[tally.kind]
        for name in ("rate", "spread", "spread_unflagged")
    )
    weight = place_weights(
        PathPlaces(
            counts=counts,
            expected=exposure * rate,
            dispersion=np.where(ratio > 1.0, unflagged, spread),
            stretch=ratio,
        ),
        LEAST_FACTOR,
        MOST_FACTOR,
    )
    watched = clock.edges[clock.state != STANDING]
    days = max(0.0, day_of(run.as_of) - float(watched[0])) if len(watched) else 0.0
    return _Weighed(history.tallied, counts, stretch, weight, days / DAYS_A_YEAR)


def _stretches(history: PathHistory) -> tuple[Floats, Wholes]:
    """Of each unit, how many times as often as peers its live trouble stretch fails (1 outside of
    any) and its failures (0): one query."""
    unit_of = history.tallied.unit_of()
    ratio = np.ones(len(history.tallied.codes))
    failed = np.zeros(len(ratio), dtype=np.int64)
    flags = TroubleFlag.objects.filter(path=history.path, kind=FlagKind.STRETCH)
    live = flags.exclude(state=FlagState.CLEARED).order_by("pk")
    for places, evidence in live.values_list("places", "evidence"):
        own = [unit_of.get(place_of(at) or (-1, "")) for at in places]
        inside = [unit for unit in own if unit is not None]
        ratio[inside] = np.maximum(ratio[inside], evidence.get("posterior_ratio", 1.0))
        failed[inside] = evidence["failures"]
    return ratio, failed
