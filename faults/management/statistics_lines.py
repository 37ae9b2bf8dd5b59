"""The statistics of a history in lines of text, unit by unit."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from faults.recurrence.assess import Assessment, PathScan, PeerGroup
from faults.recurrence.callback_history import CrewCallBacks
from faults.recurrence.checked import RecurrenceError
from faults.recurrence.history import History, Questions
from faults.recurrence.inspections import power_law_to_chance
from faults.recurrence.power_law import cramer_von_mises, mean_time_at_end
from faults.recurrence.renewal import RepairOrRenew

_STATES = ("dry", "wet", "storm")


def assessment_lines(history: History, questions: Questions, found: Assessment) -> Iterator[str]:
    """Everything that was worked out: peers, units, paths, call-backs."""
    unit, exposed = history.time_unit, found.exposed
    yield (
        f"{len(history.places)} places in {len(exposed.names)} units, "
        f"{len(history.failures)} failures. Exposure is energised time × amount, in {unit}, wet "
        "and storm time weighted as below; limits are "
        f"{100.0 * questions.level:g} %."
    )
    factors = exposed.factors
    for state in (1, 2):
        if np.isnan(factors.deviation[state]):
            yield f"{_STATES[state]}: weight 1, too little seen to tell"
        else:
            weight = _three(factors.factor[state], factors.low[state], factors.high[state])
            yield f"{_STATES[state]}: weight {weight}"
    for group in found.groups:
        yield ""
        yield from _group_lines(group, questions, unit)
    for number in range(len(exposed.names)):
        yield ""
        yield from _unit_lines(history, questions, found, number)
    if found.scans:
        yield ""
        screen = questions.screen_of(len(found.scans))
        where = (
            "all scanned" if screen > 1.0 else f"scanned where their total has p below {screen:g}"
        )
        yield f"Paths, {where}"
        for scan in found.scans:
            yield "  " + _scan_line(scan, found, questions)
    if found.call_backs is not None:
        yield ""
        yield from _call_back_lines(found.call_backs, questions, unit)


def _three(value: float, low: float, high: float) -> str:
    return f"{value:.4g} ({low:.4g} to {high:.4g})"


def _group_lines(group: PeerGroup, questions: Questions, unit: str) -> Iterator[str]:
    fit, trend = group.fit, group.trend
    yield f"Peers {group.name}: {fit.units} units"
    spread = "one rate for all" if fit.dispersion == 0.0 else f"gamma shape {fit.shape:.6g}"
    yield f"  mean rate {fit.mean:.6g}; {spread}; log likelihood {fit.log_likelihood:.6f}"
    if trend.counted[0] > 0:
        yield (
            f"  trend together: Laplace {trend.laplace[0]:.4f}, worsening p "
            f"{trend.laplace_worsening[0]:.4g}; MIL-HDBK-189 χ² {trend.chi_square[0]:.4f}, "
            f"{2 * trend.counted[0]} degrees, worsening p {trend.chi_square_worsening[0]:.4g}"
        )
    mcf = group.cumulative
    if mcf is not None:
        yield f"  failures of a part by age, in {unit} energised (mean, limits, parts so old):"
        steps = zip(mcf.age, mcf.mean, mcf.low, mcf.high, mcf.at_risk, strict=True)
        for age, mean, low, high, at_risk in steps:
            yield f"    {age:.6g}: {_three(mean, low, high)}, {at_risk}"
    if group.life is not None:
        (low, high), (scale_low, scale_high) = group.life.limits(questions.level)
        yield (
            f"  lives of parts: {len(group.lives.age)}, {int(group.lives.ended.sum())} ended; "
            f"Weibull shape {_three(group.life.shape, low, high)}, scale "
            f"{_three(group.life.scale, scale_low, scale_high)} {unit} energised"
        )
    if group.renewal_age is not None and group.renewal_limits is not None:
        low, _, high = group.renewal_limits
        best = group.renewal_age
        yield (
            f"  renew a part at age {best.age:.4g} ({low:.4g} to {high:.4g}) {unit} energised, "
            f"{best.cost_rate:.4g} a unit of time; inf: when it fails"
        )


def _unit_lines(
    history: History, questions: Questions, found: Assessment, number: int
) -> Iterator[str]:
    exposed, unit = found.exposed, history.time_unit
    place = history.places[int(exposed.head[number])]
    mark = "  FLAGGED" if found.flags.flagged[number] else ""
    yield f"{exposed.names[number]} ({place.kind}, peers {place.peers}){mark}"
    count, exposure = int(exposed.counts[number]), float(exposed.exposure[number])
    raw = count / exposure if exposure > 0.0 else np.nan
    limits, shrunk = found.raw, found.shrunk
    yield (
        f"  failures {count} in exposure {exposure:.6g}: rate "
        f"{_three(raw, limits.low[number], limits.high[number])}"
    )
    low, high = shrunk.limits.low[number], shrunk.limits.high[number]
    yield (
        f"  towards peers {_three(shrunk.mean[number], low, high)}, "
        f"shrinkage {shrunk.shrinkage[number]:.3f}"
    )
    for name, level in zip((*history.levels, "itself"), found.levels, strict=True):
        at = level.group[number]
        yield (
            f"  level {name}: {level.ratio[at]:.3f} of what is expected above it "
            f"(raw {level.raw_ratio[at]:.3f}, shrinkage {level.shrinkage[at]:.3f})"
        )
    yield (
        f"  against peers p {found.flags.p_value[number]:.4g}, adjusted "
        f"{found.flags.adjusted[number]:.4g} (q {questions.q:g})"
    )
    yield from _trend_lines(history, questions, found, number)
    pace = exposure / max(exposed.clocks[number].total, 1e-300)
    energised = float(found.look_after[number]) / pace if pace > 0.0 else np.inf
    yield (
        f"  look again after {energised:.4g} {unit} energised: chance of a failure "
        f"{questions.look_at_chance:g}"
    )
    if number in found.renewals:
        yield from _renewal_lines(found.renewals[number], unit)


def _trend_lines(
    history: History, questions: Questions, found: Assessment, number: int
) -> Iterator[str]:
    trend, laws, unit = found.trend, found.laws, history.time_unit
    renewed = found.parts.renewed[number]
    if len(renewed):
        yield (
            f"  part in place put in at {renewed[-1]:.6g} {unit} energised, replaced "
            f"{len(renewed)} times; what follows is this part's"
        )
    if trend.counted[number] == 0:
        return
    yield (
        f"  trend: Laplace {trend.laplace[number]:.6f} (worsening p "
        f"{trend.laplace_worsening[number]:.4g}); MIL-HDBK-189 χ² {trend.chi_square[number]:.6f}, "
        f"{2 * trend.counted[number]} degrees (worsening p "
        f"{trend.chi_square_worsening[number]:.4g})"
    )
    if not np.isnan(laws.beta[number]):
        yield (
            "  power law: beta "
            f"{_three(laws.beta[number], laws.beta_low[number], laws.beta_high[number])}, "
            f"without bias {laws.beta_modified[number]:.6g}, lambda {laws.lam[number]:.6g}"
        )
        yield from _law_lines(questions, found, number, unit)


def _law_lines(questions: Questions, found: Assessment, number: int, unit: str) -> Iterator[str]:
    """What a power law of two failures or more says: how well it fits, and what is ahead."""
    failures, laws = found.parts.in_place, found.laws
    at, end = failures.at[failures.unit == number], float(failures.end[number])
    if len(at) < 2 or failures.ends_with_failure[number]:
        return
    yield f"  distance from the power law (Cramér–von Mises): {cramer_von_mises(at, end):.4f}"
    modified = float(laws.beta_modified[number])
    try:
        mean = mean_time_at_end(len(at), end, modified, questions.level)
        told = _three(mean.value, mean.low, mean.high)
    except RecurrenceError:
        told = f"{end / (len(at) * modified):.4g} (too few failures for limits)"
    yield f"  time between failures now: {told} {unit} energised"
    lam, beta = float(laws.lam[number]), float(laws.beta[number])
    if 0.0 < lam < np.inf:
        ahead = power_law_to_chance(lam, beta, end, questions.look_at_chance)
        yield f"  by its trend, look again after {ahead:.4g} {unit} energised"


def _renewal_lines(answer: RepairOrRenew, unit: str) -> Iterator[str]:
    low, middle, high = answer.repairing
    new_low, new_middle, new_high = answer.renewing
    yield (
        f"  next {answer.horizon:.4g} {unit} energised: repairing {_three(middle, low, high)}, "
        f"renewing {_three(new_middle, new_low, new_high)}; renewing is cheaper with chance "
        f"{answer.chance_renewing_is_cheaper:.3f}"
    )
    low, middle, high = answer.best_age
    yield f"  best age to renew {_three(middle, low, high)} {unit} energised; inf: never"


def _scan_line(scan: PathScan, found: Assessment, questions: Questions) -> str:
    start = f"{scan.path}: total p {scan.p_value:.4g}"
    if scan.scanned is None or scan.adjusted is None:
        return start
    names = ", ".join(found.exposed.names[unit] for unit in scan.units)
    mark = "  TROUBLE STRETCH" if scan.adjusted <= questions.q else ""
    one = scan.scanned
    return (
        f"{start}; strongest stretch {names}: {one.failures} failures where {one.expected:.3g} "
        f"are expected, log ratio {one.log_ratio:.4f}, p {one.p_value:.4g} in {one.draws} draws, "
        f"adjusted {scan.adjusted:.4g}{mark}"
    )


def _call_back_lines(found: CrewCallBacks, questions: Questions, unit: str) -> Iterator[str]:
    yield (
        f"Call-backs within {questions.call_back_within:g} {unit} of a repair; same place: "
        f"{found.rule}"
    )
    counted = found.counted
    for number, crew in enumerate(found.crews):
        outside = ""
        if counted.ratio[number] > found.alarm.high[number]:
            outside = "  BEYOND 99.8 % LIMITS"
        elif counted.ratio[number] > found.warning.high[number]:
            outside = "  beyond 95 % limits"
        yield (
            f"  {crew}: {counted.repairs[number]} repairs, {counted.seen[number]} call-backs, "
            f"{counted.expected[number]:.3f} expected by chance; so many or more: p "
            f"{counted.p_value[number]:.4g}, adjusted {counted.adjusted[number]:.4g}{outside}"
        )
