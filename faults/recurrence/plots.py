"""The plots of an assessment: rates against peers, failures by age, call-backs in their funnel."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from faults.recurrence.assess import Assessment, PeerGroup
from faults.recurrence.callback_history import CrewCallBacks
from faults.recurrence.callbacks import CallBacks
from faults.recurrence.cumulative import CumulativeMean
from faults.recurrence.drawing import Bars, Curve, Marks, Plot
from faults.recurrence.funnel import ALARM, WARNING, ratio_funnel

MOST_BARS = 40


def assessment_plots(found: Assessment, time_unit: str) -> Iterator[tuple[str, Plot]]:
    """Each plot with a name for its file."""
    for number, group in enumerate(found.groups):
        yield f"rates-{number}", rate_plot(found, group, time_unit)
        if group.cumulative is not None:
            yield f"failures-by-age-{number}", cumulative_plot(group, time_unit)
    if found.call_backs is not None:
        yield "call-backs", call_back_plot(found.call_backs)


def rate_plot(found: Assessment, group: PeerGroup, time_unit: str) -> Plot:
    """Shrunk rates of the worst units, with their limits; dotted, what the peers have."""
    worst = group.units[np.argsort(-found.shrunk.mean[group.units], kind="stable")][:MOST_BARS]
    limits = found.shrunk.limits
    names = [
        found.exposed.names[unit] + (" (flagged)" if found.flags.flagged[unit] else "")
        for unit in worst.tolist()
    ]
    return Plot(
        title=f"Rates of {group.name}, drawn towards their peers",
        across=f"failures a unit of exposure ({time_unit} of dry energised time)",
        up="the worst first",
        bars=Bars(tuple(names), limits.low[worst], found.shrunk.mean[worst], limits.high[worst]),
        level=group.fit.mean,
    )


def cumulative_plot(group: PeerGroup, time_unit: str) -> Plot:
    """Mean failures of a unit up to an age, with limits."""
    title = f"Failures of {group.name} by age"
    return mean_plot(title, f"{time_unit} energised", group.cumulative)


def mean_plot(title: str, across: str, mcf: CumulativeMean | None) -> Plot:
    """A mean cumulative function with its limits; empty where nothing failed."""
    curves: tuple[Curve, ...] = ()
    if mcf is not None:
        age = np.append(0.0, mcf.age)
        curves = tuple(
            Curve(label, age, np.append(0.0, values), steps=True)
            for label, values in (
                ("mean", mcf.mean),
                ("upper limit", mcf.high),
                ("lower limit", mcf.low),
            )
        )
    return Plot(title=title, across=across, up="failures of a unit so far", curves=curves)


def call_back_plot(found: CrewCallBacks) -> Plot:
    """Call-backs seen over expected, crew by crew, in funnel limits."""
    return funnel_plot(f"Call-backs by crew: {found.rule}", found.crews, found.counted)


def funnel_plot(title: str, names: tuple[str, ...], counted: CallBacks) -> Plot:
    """Seen over expected of each group in funnel limits; filled where it is past the outer one."""
    expected = counted.expected
    most = max(float(expected.max(initial=0.0)) * 1.15, 1.0)
    size = np.geomspace(max(most / 60.0, 0.1), most, 80)
    curves = []
    for name, level in (("95 % limits", WARNING), ("99.8 % limits", ALARM)):
        funnel = ratio_funnel(size, level)
        gap = [np.nan]
        both = np.concatenate([funnel.low, gap, funnel.high])
        curves.append(Curve(name, np.concatenate([size, gap, size]), both))
    outside = counted.ratio > ratio_funnel(np.maximum(expected, 1e-6), ALARM).high
    return Plot(
        title=title,
        across="call-backs expected by chance",
        up="seen over expected",
        curves=tuple(curves),
        marks=Marks(expected, counted.ratio, names, tuple(outside.tolist())),
        level=1.0,
    )
