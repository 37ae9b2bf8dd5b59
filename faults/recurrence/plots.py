"""The plots of an assessment: rates against peers, failures by age, call-backs in their funnel."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from faults.recurrence.assess import Assessment, PeerGroup
from faults.recurrence.callback_history import CrewCallBacks
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
    mcf = group.cumulative
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
    return Plot(
        title=f"Failures of {group.name} by age",
        across=f"{time_unit} energised",
        up="failures of a unit so far",
        curves=curves,
    )


def call_back_plot(found: CrewCallBacks) -> Plot:
    """Call-backs seen over expected, crew by crew, in funnel limits."""
    expected = found.counted.expected
    most = max(float(expected.max(initial=0.0)) * 1.15, 1.0)
    size = np.geomspace(max(most / 60.0, 0.1), most, 80)
    curves = []
    for name, level in (("95 % limits", WARNING), ("99.8 % limits", ALARM)):
        funnel = ratio_funnel(size, level)
        gap = [np.nan]
        both = np.concatenate([funnel.low, gap, funnel.high])
        curves.append(Curve(name, np.concatenate([size, gap, size]), both))
    outside = found.counted.ratio > found.alarm.high
    return Plot(
        title=f"Call-backs by crew: {found.rule}",
        across="call-backs expected by chance",
        up="seen over expected",
        curves=tuple(curves),
        marks=Marks(expected, found.counted.ratio, found.crews, tuple(outside.tolist())),
        level=1.0,
    )
