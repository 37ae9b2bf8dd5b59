"""All the statistics of one history: what the command prints and a service would store."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from faults.recurrence.callback_history import CrewCallBacks, crew_call_backs
from faults.recurrence.checked import Floats, RecurrenceError, Wholes, sum_by
from faults.recurrence.cumulative import CumulativeMean, cumulative_mean
from faults.recurrence.exposed import Exposed, exposed_units
from faults.recurrence.flags import (
    FlagParams,
    UnitFlags,
    adjusted_p_values,
    flag_units,
    peer_p_values,
)
from faults.recurrence.history import DEVICE, SEGMENT, History, Questions
from faults.recurrence.inspections import exposure_to_chance
from faults.recurrence.lifetimes import Lives, WeibullFit, fit_weibull, part_lives
from faults.recurrence.part_clock import PartClocks, fitted_readings, part_clocks
from faults.recurrence.peers import PeerRates, fit_peers
from faults.recurrence.poisson_limits import Limits, rate_limits
from faults.recurrence.power_law import PowerLaws, fit_power_laws
from faults.recurrence.rates import Level, ShrunkRates, rates_by_level, shrunk_rates
from faults.recurrence.renewal import (
    BestAge,
    RepairOrRenew,
    WornUnit,
    age_replacement,
    age_replacement_limits,
    repair_or_renew,
)
from faults.recurrence.scan import Scanned, ScanParams, draws_among, scan_path
from faults.recurrence.stretches import connected_stretches
from faults.recurrence.trend import FailureTimes, Trends, failure_sums, pooled_trend, trend_tests


@dataclass(frozen=True, slots=True)
class PeerGroup:
    """Whom units are compared with: their fit, trend together, failures by age, and lives."""

    name: str
    units: Wholes
    fit: PeerRates
    trend: Trends
    cumulative: CumulativeMean | None
    lives: Lives
    life: WeibullFit | None
    renewal_age: BestAge | None
    renewal_limits: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True)
class PathScan:
    """A path's total against other paths, and its strongest stretch where that stands out.

    ``units``: of the stretch; ``scanned`` None where the total's ``p_value`` called for no scan.
    ``adjusted``: Benjamini and Hochberg's over the paths scanned."""

    path: str
    p_value: float
    scanned: Scanned | None
    adjusted: float | None
    units: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Assessment:
    """All results, arrays by unit; see the packages' modules for each."""

    exposed: Exposed
    parts: PartClocks
    group: Wholes
    groups: tuple[PeerGroup, ...]
    raw: Limits
    shrunk: ShrunkRates
    levels: tuple[Level, ...]
    flags: UnitFlags
    trend: Trends
    laws: PowerLaws
    scans: tuple[PathScan, ...]
    call_backs: CrewCallBacks | None
    look_after: Floats
    renewals: dict[int, RepairOrRenew]


def assess(history: History, questions: Questions) -> Assessment:
    """Work out everything for each unit of a history.

    Raises RecurrenceError for a history without places, exposure or with failures out of watch.
    """
    if not history.places:
        raise RecurrenceError("places: expected at least one")
    exposed = exposed_units(history, questions.level)
    parts = part_clocks(history, exposed)
    names, group = np.unique(
        [history.places[one].peers for one in exposed.head.tolist()], return_inverse=True
    )
    group = group.astype(np.int64)
    for number, name in enumerate(names.tolist()):
        if exposed.exposure[group == number].sum() <= 0.0:
            raise RecurrenceError(f"peers {name!r}: nothing of them was ever energised")
    fits = [
        fit_peers(exposed.counts[group == n], exposed.exposure[group == n])
        for n in range(len(names))
    ]
    shrunk = _shrunk(exposed, group, fits, questions.level)
    flags = flag_units(exposed.counts, exposed.exposure, group, FlagParams(q=questions.q))
    expected = exposed.exposure * np.array([_some_rate(fit, exposed) for fit in fits])[group]
    # Of the peers without what is flagged: a bad stretch would pass for a spread that all have.
    usual = float(np.mean([flags.peers[int(number)].dispersion for number in group]))
    return Assessment(
        exposed=exposed,
        parts=parts,
        group=group,
        groups=tuple(
            _peer_group(
                history, questions, exposed, parts, (str(name), np.flatnonzero(group == n), fits[n])
            )
            for n, name in enumerate(names)
        ),
        raw=rate_limits(exposed.counts, exposed.exposure, questions.level),
        shrunk=shrunk,
        levels=_levels(history, exposed, expected, questions.level),
        flags=flags,
        trend=trend_tests(parts.in_place),
        laws=fit_power_laws(parts.in_place, questions.level),
        scans=_scans(history, questions, exposed, expected, usual),
        call_backs=crew_call_backs(history, questions, exposed, [fits[n] for n in group]),
        look_after=exposure_to_chance(shrunk, questions.look_at_chance),
        renewals=_renewals(questions, exposed, parts.in_place),
    )


def _shrunk(exposed: Exposed, group: Wholes, fits: list[PeerRates], level: float) -> ShrunkRates:
    """Posterior rates, each unit's towards its own peers."""
    fields = ("mean", "deviation", "shrinkage", "shape", "rate")
    made = {name: np.zeros(len(group)) for name in fields}
    low, high = np.zeros(len(group)), np.zeros(len(group))
    for number, fit in enumerate(fits):
        own = group == number
        part = shrunk_rates(exposed.counts[own], exposed.exposure[own], fit, level)
        for name in fields:
            made[name][own] = getattr(part, name)
        low[own], high[own] = part.limits.low, part.limits.high
    return ShrunkRates(limits=Limits(low, high), **made)


def _some_rate(fit: PeerRates, exposed: Exposed) -> float:
    """The peers' mean rate; where none of them failed yet, a rate too small to matter."""
    return fit.mean if fit.mean > 0.0 else 1e-6 / float(exposed.exposure.sum())


def _levels(
    history: History, exposed: Exposed, expected: Floats, level: float
) -> tuple[Level, ...]:
    """Empirical Bayes down the history's levels to the unit, as ratios to what peers expect."""
    groups: list[Wholes] = []
    for place in range(len(history.levels)):
        names = [history.places[one].levels[place] for one in exposed.head.tolist()]
        groups.append(np.unique(names, return_inverse=True)[1].astype(np.int64))
    groups.append(np.arange(len(exposed.counts)))
    return rates_by_level(exposed.counts, expected, groups, level)


def _peer_group(
    history: History,
    questions: Questions,
    exposed: Exposed,
    parts: PartClocks,
    fit: tuple[str, Wholes, PeerRates],
) -> PeerGroup:
    name, units, peers = fit
    failures = _of_parts(parts, units)
    lives = _lives(history, exposed, units)
    life = best = limits = None
    if len(np.unique(lives.age[lives.ended])) > 1:
        life = fit_weibull(lives.age, lives.ended)
        if questions.costs is not None:
            best = age_replacement(life, questions.costs)
            rng = np.random.default_rng([questions.seed, 1, int(units[0])])
            limits = age_replacement_limits(life, questions.costs, rng, level=questions.level)
    return PeerGroup(
        name=name,
        units=units,
        fit=peers,
        trend=pooled_trend(failures),
        cumulative=cumulative_mean(failures, questions.level) if len(failures.at) else None,
        lives=lives,
        life=life,
        renewal_age=best,
        renewal_limits=limits,
    )


def _of_parts(parts: PartClocks, units: Wholes) -> FailureTimes:
    """The failures of all parts that some units have had, each part a unit of its own."""
    every, chosen = parts.all, np.flatnonzero(np.isin(parts.unit_of, units))
    own = np.isin(every.unit, chosen)
    number = np.full(len(parts.unit_of), -1)
    number[chosen] = np.arange(len(chosen))
    return FailureTimes(
        number[every.unit[own]],
        every.at[own],
        every.end[chosen],
        every.ends_with_failure[chosen],
    )


def _lives(history: History, exposed: Exposed, units: Wholes) -> Lives:
    """Lives of the parts of some units, on their clocks."""
    fitted = fitted_readings(history, exposed)
    ages, ended = [np.zeros(0)], [np.zeros(0, dtype=np.bool_)]
    for unit in units.tolist():
        own = exposed.failures.at[exposed.failures.unit == unit]
        lives = part_lives(fitted[unit].tolist(), own, exposed.clocks[unit].total)
        ages.append(lives.age)
        ended.append(lives.ended)
    return Lives(np.concatenate(ages), np.concatenate(ended))


def _scans(
    history: History,
    questions: Questions,
    exposed: Exposed,
    expected: Floats,
    spread: float,
) -> tuple[PathScan, ...]:
    """Paths against each other, by what their units' peers expect, and scans of them."""
    if history.path_level is None:
        return ()
    names, path = np.unique(
        [history.places[one].levels[history.path_level] for one in exposed.head.tolist()],
        return_inverse=True,
    )
    awaited = sum_by(path, expected, len(names))
    failed = np.bincount(path, weights=exposed.counts, minlength=len(names)).astype(np.int64)
    p_value, _ = peer_p_values(failed, awaited)
    links = _links(history, exposed)
    screen = questions.screen_of(len(names))
    draws = draws_among(questions.draws, int((p_value < screen).sum()), questions.q)
    params = ScanParams(draws=draws, dispersion=spread)
    found: list[Scanned | None] = []
    units_of = [np.flatnonzero(path == number) for number in range(len(names))]
    for number, units in enumerate(units_of):
        if p_value[number] >= screen:
            found.append(None)
            continue
        place = {int(unit): cell for cell, unit in enumerate(units)}
        own = [(place[a], place[b]) for a, b in links if a in place and b in place]
        stretches = connected_stretches(len(units), np.array(own, dtype=np.int64).reshape(-1, 2))
        rng = np.random.default_rng([questions.seed, 2, number])
        found.append(scan_path(exposed.counts[units], expected[units], stretches, params, rng))
    return _path_scans(names.tolist(), p_value, found, units_of)


def _path_scans(
    names: list[str], p_value: Floats, found: list[Scanned | None], units_of: list[Wholes]
) -> tuple[PathScan, ...]:
    seen = [one for one in found if one is not None]
    adjusted = iter(adjusted_p_values([one.p_value for one in seen]).tolist() if seen else ())
    return tuple(
        PathScan(
            path=name,
            p_value=float(p),
            scanned=one,
            adjusted=None if one is None else next(adjusted),
            units=() if one is None else tuple(int(units[cell]) for cell in one.cells),
        )
        for name, p, one, units in zip(names, p_value, found, units_of, strict=True)
    )


def _links(history: History, exposed: Exposed) -> set[tuple[int, int]]:
    """Units that touch: a segment or device and the splices it names."""
    unit_of = {end: unit for unit, ends in enumerate(exposed.descent.ends) for end in ends}
    found = set()
    for number, place in enumerate(history.places):
        if place.kind in (SEGMENT, DEVICE) and number in unit_of:
            for other in place.between:
                if other in unit_of and unit_of[other] != unit_of[number]:
                    found.add((unit_of[number], unit_of[other]))
    return found


def _renewals(
    questions: Questions, exposed: Exposed, in_place: FailureTimes
) -> dict[int, RepairOrRenew]:
    """Repair or renew for each unit whose part in place failed at least three times: fewer show
    no trend."""
    if questions.costs is None:
        return {}
    sums = failure_sums(in_place)
    answers = {}
    for unit in np.flatnonzero((sums.counted >= 3) & (sums.logs > 0.0)).tolist():
        clock = exposed.clocks[unit]
        watched = float(clock.on.stop[-1] - clock.on.start[0])
        # What is energised of the time ahead is taken as it was so far.
        horizon = questions.horizon * clock.total / watched
        worn = WornUnit(int(sums.counted[unit]), float(in_place.end[unit]), float(sums.logs[unit]))
        rng = np.random.default_rng([questions.seed, 3, unit])
        answers[unit] = repair_or_renew(worn, horizon, questions.costs, rng, level=questions.level)
    return answers
