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
from faults.recurrence.place_weights import FoundStretch, KindRates, PathPlaces, place_weights
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

DIGITS = 2
"""To which factors are kept: a trace goes by what is kept."""


def path_history(path: PathRow, network: WirePath, told: Collection[Place] = ()) -> History | None:
    """Factors of the places of a path's newest map, by the newest run over the history; None where
    it says nothing beyond what peers do. Places ``told`` are weighed by people already.

    Nothing that came after the run's moment is seen. Two queries where no place of the path ever
    failed, else thirteen.
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
    found = _weighed(history, run, path.public_id).places(_on_map(network) - set(told))
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


def _weighed(history: PathHistory, run: RecurrenceRun, path: str) -> _Weighed:
    """A path's units by the rates that a run found: one query."""
    tally, clock = history.tallied.tally, history.clock
    energised = tally.exposure(clock_reading(clock, run.as_of))
    exposure = energised @ np.array(run.rates["state_factors"])
    # What was never energised has nothing to be held against.
    counts = np.where(exposure > 0.0, tally.counts.sum(axis=1), 0).astype(np.int64)
    stretches = _stretches(history, run, path)
    around = np.zeros(len(counts), dtype=np.int64)
    for one in stretches:
        around[one.places] = counts[one.places].sum()
    kinds = [run.rates["kinds"][word] for word in _KINDS]
    rates = KindRates(
        *(np.array([one[name] for one in kinds]) for name in ("rate", "spread", "spread_unflagged"))
    )
    places = PathPlaces(tally.kind, counts, exposure)
    weight = place_weights(places, rates, stretches, (LEAST_FACTOR, MOST_FACTOR))
    watched = clock.edges[clock.state != STANDING]
    days = max(0.0, day_of(run.as_of) - float(watched[0])) if len(watched) else 0.0
    return _Weighed(history.tallied, counts, around, weight, days / DAYS_A_YEAR)


def _stretches(history: PathHistory, run: RecurrenceRun, path: str) -> list[FoundStretch]:
    """The path's strongest stretch by the run's scan, unless a flag of it was cleared: one query.

    A cleared flag says that the ground is as others by now; one raised again stands beside it.
    """
    flags = TroubleFlag.objects.filter(path=history.path, kind=FlagKind.STRETCH)
    states = [
        (_units(history, places), state) for places, state in flags.values_list("places", "state")
    ]
    found = []
    for one in run.rates.get("stretches", ()):
        if one["path"] != path:
            continue
        units = _units(history, one["places"])
        met = {state for own, state in states if own & units}
        if units and met != {FlagState.CLEARED}:
            found.append(FoundStretch(np.array(sorted(units)), float(one["q"])))
    return found


def _units(history: PathHistory, places: list[dict[str, str]]) -> set[int]:
    """The units of places in the words of the forms, as far as they are left."""
    unit_of = history.tallied.unit_of()
    told = [unit_of.get(place_of(at) or (-1, "")) for at in places]
    return {unit for unit in told if unit is not None}
