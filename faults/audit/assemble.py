"""The whole audit: all figures, their plots, and what each event behind them was."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from faults.audit.again import Again, what_came_again
from faults.audit.beside_proof import beside_proof
from faults.audit.closure_figures import closings_by_crew, crews_against_chance, no_fault_found
from faults.audit.closures import Closure, closures
from faults.audit.figure import Figure
from faults.audit.flag_figure import trouble_flags
from faults.audit.ground import Rates, strata_rates
from faults.audit.hold_figures import (
    not_held,
    parts_found_good,
    proved_wet,
    splices_by_crew,
    splices_by_kind,
)
from faults.audit.records import Asked, Case, Failure, PathMap, Records
from faults.audit.repeat_figures import place_label, repeat_figures, stretches
from faults.audit.stretch_map import stretch_map_svg
from faults.audit.trend_figures import (
    MONTH_DAYS,
    Watch,
    failures_by_days_watched,
    mean_failures,
    trend_by_property,
    watched,
)
from faults.recurrence.drawing import Curve, Plot, plot_svg
from faults.recurrence.plots import funnel_plot, mean_plot

MOST_MAPS = 3


@dataclass(frozen=True, slots=True)
class Event:
    """What stands behind a count: its id, when it was, on which property, and in few words;
    ``then``: the id of what came after it within the window, a call-back or a failure, if any."""

    id: str
    at: float
    property: str
    words: str
    then: str = ""


@dataclass(frozen=True, slots=True)
class Audit:
    """What an audit found. ``rates`` is what all was held against."""

    asked: Asked
    figures: tuple[Figure, ...]
    rates: Rates
    closures: tuple[Closure, ...]
    watch: Watch
    records: Records
    then: Mapping[str, str]

    def figure(self, key: str) -> Figure | None:
        """One of the figures."""
        return next((one for one in self.figures if one.key == key), None)

    def events(self, ids: tuple[str, ...]) -> list[Event]:
        """What some ids stand for, the oldest first."""
        wanted = frozenset(ids)
        found = (one for one in _events(self.records, self.then) if one.id in wanted)
        return sorted(found, key=lambda one: (one.at, one.id))


def audit(records: Records, asked: Asked) -> Audit:
    """Work out every figure. Raises RecurrenceError for data that has no answer."""
    rates = strata_rates(records, asked.until)
    again: tuple[Again, ...] = what_came_again(records, asked, rates)
    closed = closures(records, asked, rates)
    watch = watched(records, asked)
    by_crew = closings_by_crew(closed, asked)
    figures = (
        by_crew,
        beside_proof(not_held(records, asked, again), by_crew),
        no_fault_found(records, closed, asked),
        parts_found_good(records, asked),
        proved_wet(records, asked),
        splices_by_crew(records, asked),
        splices_by_kind(records, asked),
        *(
            beside_proof(one, by_crew) if one.key == "by-crew" else one
            for one in repeat_figures(records, asked, again)
        ),
        trouble_flags(records, asked),
        trend_by_property(records, watch, asked),
        mean_failures(watch, asked),
    )
    then = {one.case.id: one.called_back for one in closed}
    then |= {one.repair.id: one.failure for one in again}
    return Audit(asked, figures, rates, closed, watch, records, then)


def audit_plots(found: Audit) -> list[tuple[str, str]]:
    """Trend, mean failures, funnel, and maps of the paths with most repeats; keys with SVG."""
    asked, watch = found.asked, found.watch
    drawn = [
        ("trend", plot_svg(_trend_plot(watch, asked))),
        (
            "mean-failures",
            plot_svg(
                mean_plot(
                    "Proved failures of a path by days watched",
                    "days watched",
                    failures_by_days_watched(watch, asked),
                )
            ),
        ),
    ]
    if found.closures:
        crews, counted = crews_against_chance(found.closures)
        title = "Call-backs by crew, any later call on the path"
        drawn.append(("closings", plot_svg(funnel_plot(title, tuple(crews), counted))))
    return drawn + [(f"map-{n}", svg) for n, svg in enumerate(_maps(found), start=1)]


def _trend_plot(watch: Watch, asked: Asked) -> Plot:
    """Failures so far against an even flow, in months before the end."""
    start = float(watch.start.min()) if len(watch.start) else asked.until
    at = np.array(sorted(one.at for one in watch.failures))
    months = (np.concatenate([[start], at, [asked.until]]) - asked.until) / MONTH_DAYS
    count = np.concatenate([np.arange(len(at) + 1.0), [float(len(at))]])
    ends = np.array([0, len(months) - 1])
    return Plot(
        title="Proved failures so far",
        across="months before the end of the audit",
        up="proved failures",
        curves=(
            Curve("seen", months, count, steps=True),
            Curve("an even flow", months[ends], count[ends]),
        ),
    )


def _maps(found: Audit) -> list[str]:
    """The paths with the most failures in stretches that failed again."""
    records, asked = found.records, found.asked
    here = [one for one in records.failures if asked.has(one, one.at)]
    again: dict[str, set[str]] = defaultdict(set)
    for path, together in stretches(records, asked, here):
        again[path] |= {one.id for one in together}
    worst = sorted(again, key=lambda path: (-len(again[path]), path))[:MOST_MAPS]
    return [
        stretch_map_svg(
            f"{records.name(path)}: proved failures",
            records.maps.get(path, PathMap()),
            [one for one in here if one.place.path == path],
            frozenset(again[path]),
        )
        for path in worst
    ]


def _events(records: Records, then: Mapping[str, str]) -> list[Event]:
    return [
        *(
            Event(
                one.id,
                one.opened if one.closed is None else one.closed,
                one.property,
                _case_words(records, one),
                then.get(one.id, ""),
            )
            for one in records.cases
        ),
        *(
            Event(one.id, one.at, one.property, _failure_words(records, one))
            for one in records.failures
        ),
        *(
            Event(
                one.id,
                one.at,
                one.property,
                f"Repair: {one.kind}, {one.crew}",
                then.get(one.id, ""),
            )
            for one in records.repairs
        ),
        *(
            Event(one.id, one.at, one.property, f"{one.what}, bench: {one.bench}")
            for one in records.parts
        ),
    ]


def _case_words(records: Records, one: Case) -> str:
    where = records.name(one.paths[0]) if len(one.paths) == 1 else records.name(one.property)
    proof = "proved" if one.proof else "without proof"
    return f"Call, {one.outcome or 'open'}, {proof}: {where}"


def _failure_words(records: Records, one: Failure) -> str:
    return f"Proved: {place_label(one)}, {records.name(one.place.path)}"
