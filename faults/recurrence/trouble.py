"""Trouble among many paths: single places against their peers, and stretches of paths.

Peers are all places of one kind: splices, metres of cable, devices. Where paths are many, only
those whose total stands out are scanned for stretches; the scan's p-value is valid given the total,
so the choice does not bend it. The more are scanned, the smaller a p-value has to be that stands
out alone among them, so the more worlds of chance are drawn, at most; a path by chance alone stops
long before (``scan``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from faults.recurrence.checked import Flags, Floats, RecurrenceError, Wholes, checked_share, sum_by
from faults.recurrence.flags import FlagParams, adjusted_p_values, flag_units, peer_p_values
from faults.recurrence.peers import PeerData, PeerRates, cautious_dispersion, fit_peers
from faults.recurrence.place_weights import KindRates
from faults.recurrence.scan import Scanned, ScanParams, draws_among, scan_path
from faults.recurrence.stretches import connected_stretches
from faults.recurrence.weather import StateFactors, equivalent_exposure, fit_state_factors

ALL_SCANNED = 20
"""Of at most so many paths all are scanned."""

SCREEN = 0.05
"""Of more paths those whose total has a p-value below this, or ``ALL_SCANNED`` by chance."""

SPLICE, SEGMENT, DEVICE = range(3)
SCANNED_KINDS = (SPLICE, SEGMENT)
"""Stretches are of splices and the cable between; a device hangs beside it."""


@dataclass(frozen=True, slots=True)
class TroubleParams:
    """``q``: the share of false flags to hold, for places and for stretches; ``draws``: worlds of
    chance of a scan, more where so many are scanned that one alone could not stand out; ``seed``:
    of all draws."""

    q: float = 0.05
    draws: int = 999
    seed: int = 0

    def __post_init__(self) -> None:
        checked_share(self.q, "q")
        if self.draws < 1:
            raise RecurrenceError("draws: expected at least 1")

    def among(self, scanned: int) -> TroubleParams:
        """For so many paths: the smallest p-value is at most half of what one alone needs."""
        return replace(self, draws=draws_among(self.draws, scanned, self.q))


@dataclass(frozen=True, slots=True)
class Units:
    """Arrays by unit: ``kind`` (0, 1, ...), ``path`` (0, 1, ...), ``counts`` and ``energised`` by
    state, shape (units, 3)."""

    kind: Wholes
    path: Wholes
    counts: Wholes
    energised: Floats


@dataclass(frozen=True, slots=True)
class Judged:
    """Arrays by unit: failures, dry-equivalent exposure, what peers expect, p-value, adjusted,
    flagged. ``peers``: by kind, without what is flagged; ``everyone``: with it; ``left_out``:
    failures of units that were never energised."""

    counts: Wholes
    exposure: Floats
    expected: Floats
    p_value: Floats
    adjusted: Floats
    flagged: Flags
    peers: dict[int, PeerRates]
    everyone: dict[int, PeerRates]
    factors: StateFactors
    left_out: int


@dataclass(frozen=True, slots=True)
class PathTotals:
    """Arrays by path: failures and what peers expect of the kinds that are scanned, the total's
    p-value, and which to scan. ``spread``: of the paths' ratios, all failures counted."""

    failed: Wholes
    awaited: Floats
    p_value: Floats
    to_scan: Wholes
    spread: PeerRates


def judge_units(units: Units, params: TroubleParams) -> Judged:
    """Each unit against the others of its kind. O(n log n).

    Raises RecurrenceError for bad data or where nothing was ever energised.
    """
    energised = units.energised
    if energised.sum() <= 0.0:
        raise RecurrenceError("exposure: nothing was ever energised")
    counts, left_out = _in_states_that_were(units.counts, energised)
    factors = fit_state_factors(counts, energised)
    exposure = equivalent_exposure(energised, factors)
    whole = counts.sum(axis=1)
    flags = flag_units(whole, exposure, units.kind, FlagParams(q=params.q))
    rate = np.zeros(int(units.kind.max()) + 1)
    for kind, fit in flags.peers.items():
        rate[kind] = fit.mean
    # Where no peer failed, a rate too small to matter, so that ratios stay numbers.
    rate[rate <= 0.0] = 1e-9 / float(exposure.sum())
    return Judged(
        counts=whole,
        exposure=exposure,
        expected=exposure * rate[units.kind],
        p_value=flags.p_value,
        adjusted=flags.adjusted,
        flagged=flags.flagged,
        peers=flags.peers,
        everyone=flags.everyone,
        factors=factors,
        left_out=left_out,
    )


def _in_states_that_were(counts: Wholes, energised: Floats) -> tuple[Wholes, int]:
    """Failures in a state that their unit never was in count where it mostly was: what the ground
    did then is not known to have made them. Those of units never energised are left out."""
    strange = np.flatnonzero(np.any((counts > 0) & (energised <= 0.0), axis=1))
    if not len(strange):
        return counts, 0
    told = counts.copy()
    left_out = 0
    for unit in strange.tolist():
        never = energised[unit] <= 0.0
        moved = int(told[unit, never].sum())
        told[unit, never] = 0
        if np.all(never):
            left_out += moved
        else:
            told[unit, int(np.argmax(energised[unit]))] += moved
    return told, left_out


def kind_rates(units: Units, judged: Judged, kinds: int = 3) -> KindRates:
    """What places are weighed by: each kind's rate and cautious spreads. O(n log n)."""
    made = KindRates(np.zeros(kinds), np.zeros(kinds), np.zeros(kinds))
    for kind, fit in judged.everyone.items():
        made.rate[kind] = fit.mean
        # Where all differ no more than by chance, neither do those that are left.
        if fit.dispersion > 0.0:
            own = (units.kind == kind) & (judged.exposure > 0.0)
            made.spread[kind] = _spread_among(judged, own)
            made.unflagged[kind] = _spread_among(judged, own & ~judged.flagged)
    return made


def _spread_among(judged: Judged, own: Flags) -> float:
    if own.sum() < 2:
        return 0.0
    return cautious_dispersion(PeerData(judged.counts[own], judged.exposure[own]))


def path_totals(units: Units, judged: Judged, paths: int) -> PathTotals:
    """Paths against each other by splices and cable. O(units)."""
    scanned = np.isin(units.kind, SCANNED_KINDS)
    own = units.path[scanned]
    failed = np.bincount(own, weights=judged.counts[scanned], minlength=paths).astype(np.int64)
    awaited = sum_by(own, judged.expected[scanned], paths)
    failed = np.where(awaited > 0.0, failed, 0)
    p_value, _ = peer_p_values(failed, awaited)
    screen = 2.0 if paths <= ALL_SCANNED else max(SCREEN, ALL_SCANNED / paths)
    return PathTotals(
        failed=failed,
        awaited=awaited,
        p_value=p_value,
        to_scan=np.flatnonzero((p_value < screen) & (failed > 1)),
        spread=fit_peers(failed, awaited) if awaited.sum() > 0.0 else PeerRates(1.0, 0.0, 0.0, 0),
    )


@dataclass(frozen=True, slots=True)
class WholePaths:
    """Arrays by path: failures of all its places and what peers expect. ``spread``: of the paths'
    ratios, all failures counted."""

    failed: Wholes
    awaited: Floats
    spread: float


def whole_paths(units: Units, judged: Judged, paths: int) -> WholePaths:
    """Paths with all that they hold, devices too. O(units)."""
    failed = np.bincount(units.path, weights=judged.counts, minlength=paths).astype(np.int64)
    awaited = sum_by(units.path, judged.expected, paths)
    failed = np.where(awaited > 0.0, failed, 0)
    return WholePaths(failed, awaited, fit_peers(failed, awaited).dispersion)


@dataclass(frozen=True, slots=True)
class PathCells:
    """A path to scan: ``number`` seeds its draws; ``units``: of its cells, as numbers of ``Units``;
    ``links``: pairs of cells that touch."""

    number: int
    units: Wholes
    links: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Stretch:
    """The strongest stretch of a path: its units, what the scan says, and the adjusted p-value
    over all paths scanned."""

    units: tuple[int, ...]
    scanned: Scanned
    adjusted: float


def scan_paths(
    units: Units, judged: Judged, cells: Sequence[PathCells], params: TroubleParams
) -> list[Stretch]:
    """The strongest stretch of each path.

    Cells' own rates differ, as those of their peers do: the cells of all other paths. A bad stretch
    among the peers would pass for a spread that all have and hide the others, so what stands out
    where cells are alike is left out of the peers first. It is scanned again with the spread of
    the rest; what falls short goes back to the peers, until nothing more does.
    O(paths × draws × stretches).
    """
    params = params.among(len(cells))
    found = [_scan(judged, one, params, 0.0) for one in cells]
    adjusted = _adjusted(found)
    bad = [n for n, level in enumerate(adjusted) if level <= params.q]
    alike = list(found)
    while bad:
        out = [int(cells[n].units[cell]) for n in bad for cell in alike[n].cells]
        for n in bad:
            spread = _spread(units, judged, np.append(cells[n].units, out).astype(np.int64))
            found[n] = _scan(judged, cells[n], params, spread)
        adjusted = _adjusted(found)
        left = [n for n in bad if adjusted[n] <= params.q]
        if left == bad:
            break
        bad = left
    return [
        Stretch(tuple(int(one.units[cell]) for cell in seen.cells), seen, float(level))
        for one, seen, level in zip(cells, found, adjusted, strict=True)
    ]


def _adjusted(found: Sequence[Scanned]) -> Floats:
    return adjusted_p_values([one.p_value for one in found]) if found else np.zeros(0)


def _spread(units: Units, judged: Judged, without: Wholes) -> float:
    """The spread of scanned cells' rates against what their kinds' peers expect, some units and
    what is flagged left out."""
    kept = np.isin(units.kind, SCANNED_KINDS) & ~judged.flagged
    kept[without] = False
    if judged.expected[kept].sum() <= 0.0:
        return 0.0
    return fit_peers(judged.counts[kept], judged.expected[kept]).dispersion


def _scan(judged: Judged, one: PathCells, params: TroubleParams, spread: float) -> Scanned:
    expected = judged.expected[one.units]
    return scan_path(
        np.where(expected > 0.0, judged.counts[one.units], 0),
        expected,
        connected_stretches(len(one.units), np.array(one.links, dtype=np.int64).reshape(-1, 2)),
        ScanParams(draws=params.draws, dispersion=spread),
        np.random.default_rng([params.seed, one.number]),
    )
