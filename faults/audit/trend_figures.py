"""Whether failures come faster, and how many a path has by the time that it is watched."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from faults.audit.figure import Cell, Column, Figure, Row, Tally, row_of
from faults.audit.records import Asked, Failure, Records
from faults.recurrence.checked import Floats, floats
from faults.recurrence.cumulative import CumulativeMean, cumulative_mean
from faults.recurrence.trend import FailureTimes, trend_tests

MONTH_DAYS = 365.25 / 12.0


@dataclass(frozen=True, slots=True)
class Watch:
    """Paths as units: since when each is watched within the audit, and its failures."""

    paths: tuple[str, ...]
    start: Floats
    failures: tuple[Failure, ...]


def watched(records: Records, asked: Asked) -> Watch:
    """The paths that the audit asks about, each from the day it was taken on or the audit's
    first; failures of them within. A crew that is asked for limits the failures alone."""
    first: dict[str, float] = {}
    for row in records.ground:
        if asked.property in ("", row.property):
            first[row.path] = min(row.start, first.get(row.path, row.start))
    begun = asked.start if asked.start is not None else -np.inf
    start = {path: max(at, begun) for path, at in first.items() if max(at, begun) < asked.until}
    seen = tuple(
        one
        for one in records.failures
        if asked.has(one, one.at) and one.at > start.get(one.place.path, np.inf)
    )
    paths = tuple(sorted(start))
    return Watch(paths, floats([start[path] for path in paths]), seen)


def failures_by_days_watched(watch: Watch, asked: Asked) -> CumulativeMean | None:
    """Mean cumulative failures of a path by days watched; None where none failed."""
    if not watch.failures:
        return None
    number = {path: place for place, path in enumerate(watch.paths)}
    unit = [number[one.place.path] for one in watch.failures]
    at = [one.at - float(watch.start[number[one.place.path]]) for one in watch.failures]
    return cumulative_mean(FailureTimes.of(unit, at, asked.until - watch.start))


def mean_failures(watch: Watch, asked: Asked) -> Figure:
    """The mean cumulative function as a table."""
    mcf = failures_by_days_watched(watch, asked)
    number = {path: place for place, path in enumerate(watch.paths)}
    opens: dict[float, list[str]] = defaultdict(list)
    for one in watch.failures:
        opens[one.at - float(watch.start[number[one.place.path]])].append(one.id)
    rows = []
    for step, age in enumerate([] if mcf is None else mcf.age.tolist()):
        assert mcf is not None  # noqa: S101 - no steps without it
        cells: dict[str, Cell] = {
            "failures": len(opens[age]),
            "days": age,
            "at_risk": int(mcf.at_risk[step]),
            "mean": float(mcf.mean[step]),
            "mean_low": float(mcf.low[step]),
            "mean_high": float(mcf.high[step]),
        }
        rows.append(Row(f"{age:.6f}", f"{age:.1f} days", cells, {"failures": tuple(opens[age])}))
    return Figure(
        key="mean-failures",
        title="Proved failures of a path by days watched",
        of="days watched",
        says="The mean cumulative function: how many proved failures a path has had by then.",
        columns=(
            Column("failures", "Failures then"),
            Column("days", "Days watched", "number"),
            Column("at_risk", "Paths watched so long"),
            Column("mean", "Mean so far", "number"),
            Column("mean_low", "95 % from", "number"),
            Column("mean_high", "to", "number"),
        ),
        rows=tuple(rows),
    )


def trend_by_property(records: Records, watch: Watch, asked: Asked) -> Figure:
    """Tests of whether proved failures of a property come ever faster."""
    property_of = {row.path: row.property for row in records.ground}
    start: dict[str, float] = {}
    for path, at in zip(watch.paths, watch.start.tolist(), strict=True):
        place = property_of[path]
        start[place] = min(at, start.get(place, at))
    places = sorted(start)
    number = {place: row for row, place in enumerate(places)}
    tallies = {place: Tally(records.name(place)) for place in places}
    unit, at_days = [], []
    for one in watch.failures:
        unit.append(number[one.property])
        at_days.append(one.at - start[one.property])
        tallies[one.property].put("failures", one.id)
    ends = [asked.until - start[place] for place in places]
    tests = trend_tests(FailureTimes.of(unit, at_days, ends))
    rows = []
    for place, row in number.items():
        some = tallies[place].count("failures") > 0
        more: dict[str, Cell] = {
            "days": ends[row],
            "laplace": float(tests.laplace[row]) if some else None,
            "worsening": float(tests.chi_square_worsening[row]) if some else None,
            "improving": float(tests.chi_square_improving[row]) if some else None,
        }
        rows.append(row_of(place, tallies[place], ("failures",), more))
    return Figure(
        key="trend",
        title="Do failures come faster?",
        of="property",
        says=(
            "Laplace’s U is above 0 where proved failures come ever faster; the chances are those"
            " of the MIL-HDBK-189 test without any trend: a small one speaks for it."
        ),
        columns=(
            Column("failures", "Proved failures"),
            Column("days", "Days watched", "number"),
            Column("laplace", "Laplace’s U", "number"),
            Column("worsening", "Chance, worsening", "number"),
            Column("improving", "Chance, improving", "number"),
        ),
        rows=tuple(rows),
    )
