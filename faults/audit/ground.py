"""How often what lies in the ground fails, by kind and age: what each case is held against.

Indirect standardisation: the contractor's own rates by stratum (kind of place × age band), over
all crews and properties up to the end of the audit, times what lay there, times the days ahead.
So a crew that is sent to old paths with many splices is expected to be called back more often.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from faults.audit.records import KINDS, Facts, Ground, Records
from faults.recurrence.checked import Floats, floats

YEAR_DAYS = 365.25
BAND_YEARS = (0.0, 5.0, 10.0, 15.0)
BANDS = ("under 5 years", "5 to 10 years", "10 to 15 years", "15 years and over")
AGE_NOT_TOLD = "age not told"

Stratum = tuple[str, str]
"""Kind of place and age band."""


def band_of(made: float | None, at: float) -> str:
    """The age band of something made on a day, at a moment; what was made later counts as new."""
    if made is None:
        return AGE_NOT_TOLD
    years = max(at - made, 0.0) / YEAR_DAYS
    return BANDS[sum(years >= bound for bound in BAND_YEARS) - 1]


def band_spans(made: float | None, start: float, stop: float) -> Iterator[tuple[str, float]]:
    """Days from start to stop that something spends in each age band."""
    if stop <= start:
        return
    if made is None:
        yield AGE_NOT_TOLD, stop - start
        return
    for place, band in enumerate(BANDS):
        # What was not yet made, as the map has it, counts as new.
        first = made + BAND_YEARS[place] * YEAR_DAYS if place else -math.inf
        last = made + BAND_YEARS[place + 1] * YEAR_DAYS if place + 1 < len(BANDS) else math.inf
        days = min(stop, last) - max(start, first)
        if days > 0.0:
            yield band, days


@dataclass(frozen=True, slots=True)
class Rates:
    """Failures for each unit and day by stratum, and what lies where.

    ``calls_each``: calls for each proved failure whose place is on the map, so that calls without
    a proof are expected too.
    """

    until: float
    failed: dict[Stratum, int]
    exposure: dict[Stratum, float]
    calls_each: float
    by_path: dict[str, list[Ground]] = field(repr=False)
    flows: dict[str, tuple[Floats, Floats]] = field(default_factory=dict, repr=False)

    def rate(self, stratum: Stratum) -> float:
        """Proved failures of a stratum for each unit (splice, device, metre) and day."""
        days = self.exposure.get(stratum, 0.0)
        return self.failed.get(stratum, 0) / days if days > 0.0 else 0.0

    def expected_calls(self, paths: Iterable[str], start: float, stop: float) -> float:
        """Calls expected on these paths from a moment to another, by age and splices alone."""
        if stop <= start:
            return 0.0
        total = 0.0
        for path in paths:
            moments, failures = self._flow(path)
            so_far = np.interp([start, stop], moments, failures)
            total += float(so_far[1] - so_far[0])
        return total * self.calls_each

    def _flow(self, path: str) -> tuple[Floats, Floats]:
        """Proved failures expected of a path up to each moment at which that flow changes; worked
        out once, for a path has many calls."""
        if path not in self.flows:
            self.flows[path] = self._flow_anew(path)
        return self.flows[path]

    def _flow_anew(self, path: str) -> tuple[Floats, Floats]:
        changes: dict[float, float] = defaultdict(float)
        for row in self.by_path.get(path, ()):
            first = row.start
            for band, days in band_spans(row.facts.made, row.start, stop_of(row, self.until)):
                much = row.facts.amount * self.rate((row.facts.kind, band))
                changes[first] += much
                first += days
                changes[first] -= much
        moments = floats(sorted(changes) or [self.until])
        rate = np.cumsum([changes.get(at, 0.0) for at in moments.tolist()])
        return moments, np.append(0.0, np.cumsum(rate[:-1] * np.diff(moments)))

    def expected_failures(
        self, weighed: Iterable[tuple[Facts, float]], at: float, days: float
    ) -> float:
        """Proved failures expected of some places in the days after a moment, each with how much
        of it counts; each as old as it is at the moment."""
        return days * sum(
            share * facts.amount * self.rate((facts.kind, band_of(facts.made, at)))
            for facts, share in weighed
        )


def stop_of(row: Ground, until: float) -> float:
    """When something went out of the ground, at the latest ``until``."""
    return until if row.stop is None else min(row.stop, until)


def strata_rates(records: Records, until: float) -> Rates:
    """The contractor's own rates up to a moment. O(ground + failures + cases)."""
    exposure: dict[Stratum, float] = defaultdict(float)
    failed: dict[Stratum, int] = defaultdict(int)
    by_path: dict[str, list[Ground]] = defaultdict(list)
    for row in records.ground:
        by_path[row.path].append(row)
        for band, days in band_spans(row.facts.made, row.start, stop_of(row, until)):
            exposure[row.facts.kind, band] += row.facts.amount * days
    for failure in records.failures:
        facts = failure.place.facts
        if failure.at < until and facts.kind in KINDS:
            failed[facts.kind, band_of(facts.made, failure.at)] += 1
    calls = sum(case.opened < until and not case.cancelled for case in records.cases)
    proved = sum(failed.values())
    each = calls / proved if proved else 0.0
    return Rates(until, dict(failed), dict(exposure), each, dict(by_path))
