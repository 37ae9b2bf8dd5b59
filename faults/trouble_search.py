"""A contractor's trouble as known at a moment: what it saw, and each place or stretch that stands
out, with its evidence."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Callable, Collection
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from faults.history_snapshot import (
    KIND_WORDS,
    Ground,
    PathHistory,
    clock_reading,
    path_histories,
)
from faults.recurrence.checked import Floats, Wholes
from faults.recurrence.peers import PeerRates
from faults.recurrence.poisson_limits import rate_limits
from faults.recurrence.rates import shrunk_rates
from faults.recurrence.trouble import (
    SCANNED_KINDS,
    Judged,
    PathCells,
    PathTotals,
    Stretch,
    TroubleParams,
    Units,
    judge_units,
    kind_rates,
    path_totals,
    scan_paths,
    whole_paths,
)
from faults.tally_store import path_marks, tallies_read, tallies_refresh

ENGINE = "4"
"""Of the reckoning: raised when the same rows would give other figures."""

DAYS_A_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class SearchParams:
    """All that a run is asked with."""

    ground: Ground = field(default_factory=Ground)
    trouble: TroubleParams = field(default_factory=TroubleParams)

    def document(self) -> dict[str, Any]:
        """As JSON."""
        return asdict(self)

    @classmethod
    def of(cls, document: dict[str, Any]) -> SearchParams:
        """From JSON that ``document`` gave."""
        return cls(Ground(**document["ground"]), TroubleParams(**document["trouble"]))


@dataclass(frozen=True, slots=True)
class Candidate:
    """Something that may be trouble. ``alive``: the map still has it; ``newest``: the day of its
    newest failure; ``findings``: the failures that count, by public id, in the order of time."""

    path: int
    kind: str
    places: tuple[tuple[int, str], ...]
    adjusted: float
    alive: bool
    newest: float
    evidence: dict[str, Any]
    findings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PathFigures:
    """By path: failures, what peers expect of it and its energised days. ``spread``: of the paths'
    ratios."""

    paths: tuple[int, ...] = ()
    failures: tuple[int, ...] = ()
    expected: tuple[float, ...] = ()
    energised_days: tuple[float, ...] = ()
    spread: float = 0.0


@dataclass(frozen=True, slots=True)
class Search:
    """What a run saw and found. ``watched``: paths that it was told to scan in any case;
    ``candidates``: the strongest stretch of each path scanned, and
    places flagged outside of them, flagged or not; ``rates``: what traces weigh places by;
    ``by_path``: of every path."""

    as_of: dt.datetime
    paths: int
    tallied: int
    units: int
    failures: int
    left_out: int
    seen: str
    watched: tuple[int, ...]
    candidates: tuple[Candidate, ...]
    rates: dict[str, Any] = field(default_factory=dict)
    by_path: PathFigures = PathFigures()

    def found(self) -> str:
        """A digest of what was found, to the last digit."""
        words = json.dumps(
            [
                [one.path, one.kind, one.places, one.evidence, one.findings]
                for one in self.candidates
            ]
        )
        return hashlib.sha256(words.encode()).hexdigest()


def trouble_search(
    as_of: dt.datetime,
    params: SearchParams,
    watched: Collection[int] = (),
    tell: Callable[[float, str], None] = lambda _share, _words: None,
    is_lost: Callable[[], bool] = lambda: False,
) -> Search:
    """Search the contractor in scope. Paths ``watched`` (with flags) are scanned in any case, so
    they belong to what was seen."""
    held = tuple(sorted(set(watched)))
    marks = path_marks(as_of, params.ground)
    tallied = tallies_refresh(
        marks, as_of, params.ground, lambda share, words: tell(0.8 * share, words), is_lost
    )
    paths, units, alive, days = _units(marks, as_of, params.ground)
    rows = sorted(marks.items())
    seen = hashlib.sha256(repr((as_of, ENGINE, params, held, rows)).encode()).hexdigest()
    head = (as_of, len(marks), tallied)
    if not len(units.kind) or units.energised.sum() <= 0.0:
        return Search(*head, len(units.kind), 0, 0, seen, held, ())
    tell(0.85, "places against their peers")
    judged = judge_units(units, params.trouble)
    totals = path_totals(units, judged, len(paths))
    tell(0.9, "stretches of paths")
    finder = _Finder(paths, units, alive, judged, totals, as_of, params)
    candidates = finder.candidates(set(held))
    whole = whole_paths(units, judged, len(paths))
    return Search(
        *head,
        units=len(units.kind),
        failures=int(judged.counts.sum()),
        left_out=judged.left_out,
        seen=seen,
        watched=held,
        candidates=tuple(candidates),
        rates=_rates(units, judged),
        by_path=PathFigures(
            tuple(paths),
            tuple(whole.failed.tolist()),
            tuple(whole.awaited.tolist()),
            tuple(days),
            whole.spread,
        ),
    )


def _rates(units: Units, judged: Judged) -> dict[str, Any]:
    """Rates of each kind of place and factors of the ground's states, as JSON."""
    rates = kind_rates(units, judged)
    kinds = {
        word: {
            "rate": float(rates.rate[number]),
            "spread": float(rates.spread[number]),
            "spread_unflagged": float(rates.unflagged[number]),
        }
        for number, word in enumerate(KIND_WORDS)
    }
    return {"kinds": kinds, "state_factors": judged.factors.factor.tolist()}


def _units(
    marks: dict[int, str], as_of: dt.datetime, ground: Ground
) -> tuple[list[int], Units, Wholes, list[float]]:
    """All units of the contractor as arrays, path after path, and the paths' energised days."""
    paths: list[int] = []
    days: list[float] = []
    parts: list[tuple[Wholes, Wholes, Wholes, Floats]] = []
    for path, (tally, clock) in tallies_read(marks, as_of, ground):
        reading = clock_reading(clock, as_of)
        paths.append(path)
        days.append(float(reading.sum()))
        parts.append(
            (
                tally.kind.astype(np.int8),
                tally.alive.astype(np.int8),
                tally.counts.astype(np.int32),
                tally.exposure(reading),
            )
        )
    if not parts:
        nothing = np.zeros(0, dtype=np.int64)
        none = Units(nothing, nothing, np.zeros((0, 3), np.int64), np.zeros((0, 3)))
        return [], none, nothing, []
    lengths = [len(one[0]) for one in parts]
    kind, alive, counts, energised = (
        np.concatenate([one[column] for one in parts]) for column in range(4)
    )
    path_of = np.repeat(np.arange(len(paths)), lengths)
    units = Units(kind.astype(np.int64), path_of, counts.astype(np.int64), energised)
    return paths, units, alive.astype(np.int64), days


@dataclass(frozen=True)
class _Finder:
    paths: list[int]
    units: Units
    alive: Wholes
    judged: Judged
    totals: PathTotals
    as_of: dt.datetime
    params: SearchParams

    def candidates(self, watched: set[int]) -> list[Candidate]:
        """Stretches first, then single places outside of those that stand out."""
        scanned: set[int] = set(self.totals.to_scan.tolist())
        held = {n for n, path in enumerate(self.paths) if path in watched}
        scanned |= {n for n in held if self.totals.failed[n] > 0}
        told = np.isin(self.units.path, sorted(held)) & (self.judged.adjusted < 1.0)
        told = (told | self.judged.flagged) & (self.alive > 0)
        single: list[int] = np.flatnonzero(told).tolist()
        wanted = sorted(scanned | {int(self.units.path[unit]) for unit in single})
        histories = {
            one.path: one
            for one in path_histories(
                [self.paths[n] for n in wanted], self.as_of, self.params.ground
            )
        }
        first = np.searchsorted(self.units.path, np.arange(len(self.paths)))
        order = sorted(scanned)
        cells = [self._cells(histories[self.paths[n]], int(first[n])) for n in order]
        found = scan_paths(self.units, self.judged, cells, self.params.trouble)
        made: list[Candidate] = []
        inside: set[int] = set()
        for n, stretch in zip(order, found, strict=True):
            if stretch.units and stretch.scanned.failures > 1:
                made.append(self._stretch(histories[self.paths[n]], n, int(first[n]), stretch))
                if stretch.adjusted <= self.params.trouble.q:
                    inside |= set(stretch.units)
        for unit in (one for one in single if one not in inside):
            n = int(self.units.path[unit])
            made.append(self._place(histories[self.paths[n]], int(first[n]), int(unit)))
        return made

    def _cells(self, history: PathHistory, first: int) -> PathCells:
        """The cells of a path to scan. Rows come in one order, so units are numbered as before."""
        tally = history.tallied.tally
        own = np.flatnonzero(np.isin(tally.kind, SCANNED_KINDS))
        cell = {int(unit): n for n, unit in enumerate(own)}
        unit_of = history.tallied.unit_of()
        links = {
            (cell[unit_of[one]], cell[unit_of[other]])
            for one, other in history.links
            if one in unit_of
            and other in unit_of
            and unit_of[one] in cell
            and unit_of[other] in cell
            and unit_of[one] != unit_of[other]
        }
        return PathCells(history.path, own + first, tuple(sorted(links)))

    def _stretch(self, history: PathHistory, n: int, first: int, found: Stretch) -> Candidate:
        units = np.array(found.units, dtype=np.int64)
        facts = {
            "p": found.scanned.p_value,
            "q": found.adjusted,
            "draws": found.scanned.draws,
            "path_p": float(self.totals.p_value[n]),
            "expected_of_path": found.scanned.expected,
        }
        return self._candidate(history, "stretch", first, units, found.adjusted, facts)

    def _place(self, history: PathHistory, first: int, unit: int) -> Candidate:
        adjusted = float(self.judged.adjusted[unit])
        facts = {"p": float(self.judged.p_value[unit]), "q": adjusted}
        return self._candidate(history, "place", first, np.array([unit]), adjusted, facts)

    def _candidate(
        self,
        history: PathHistory,
        kind: str,
        first: int,
        units: Wholes,
        adjusted: float,
        facts: dict[str, Any],
    ) -> Candidate:
        tally = history.tallied.tally
        local = units - first
        places = sorted(
            (int(tally.kind[unit]), code)
            for unit in local.tolist()
            for code in history.tallied.codes[unit]
        )
        failed, awaited = (
            int(self.judged.counts[units].sum()),
            float(self.judged.expected[units].sum()),
        )
        days = float(clock_reading(history.clock, self.as_of).sum())
        a_year = DAYS_A_YEAR / days if days > 0.0 else 0.0
        raw = rate_limits([failed], [awaited])
        spread = PeerRates(1.0, self.totals.spread.dispersion, 0.0, len(self.paths))
        posterior = shrunk_rates([failed], [awaited], spread)
        evidence = facts | {
            "failures": failed,
            "expected": awaited,
            "energised_days": days,
            "metres": float(tally.live[local][tally.kind[local] == 1].sum()),
            "ratio_low": float(raw.low[0]),
            "ratio_high": float(raw.high[0]),
            "posterior_ratio": float(posterior.mean[0]),
            "posterior_low": float(posterior.limits.low[0]),
            "posterior_high": float(posterior.limits.high[0]),
            "posterior_a_year": float(posterior.mean[0]) * awaited * a_year,
            "spread": spread.dispersion,
            "peers": {
                KIND_WORDS[number]: {"units": fit.units, "rate": fit.mean, "spread": fit.dispersion}
                for number, fit in sorted(self.judged.peers.items())
            },
        }
        alive = bool(self.alive[units].any())
        newest, findings = _failures_of(history, set(local.tolist()))
        return Candidate(
            history.path, kind, tuple(places), adjusted, alive, newest, evidence, findings
        )


def _failures_of(history: PathHistory, units: set[int]) -> tuple[float, tuple[str, ...]]:
    """The day of the newest failure of some units of a path, 0 without one, and the findings."""
    own = [n for n, unit in enumerate(history.tallied.of_failure) if unit in units]
    newest = max((history.failed[n][1] for n in own), default=0.0)
    return newest, tuple(history.findings[n] for n in own)
