"""Trouble flags with their evidence worked out anew from exported rows alone.

It shares no code with the product. Where the product draws at random (the chance of a stretch),
it draws by itself, so that chance agrees within limits; all else to the digits of the arithmetic.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy import stats

from tests.trouble.figures_anew import (
    Array,
    Fit,
    Scan,
    adjusted,
    chances,
    fit,
    flagged,
    scan,
    weather_factors,
)
from tests.trouble.rows_anew import Calendar, Known, Place, Unit, left_out, links_of, units_of

WORLDS = 6000
ALL_SCANNED = 20
SCREEN = 0.05
YEAR = 365.25


@dataclass
class Flag:
    """A flag as it ought to be. ``ties``: the sets of places that stand out as much; ``evidence``
    without what is drawn; ``drawn``: of a stretch its scan."""

    path: str
    kind: str
    ties: list[frozenset[Place]]
    evidence: dict[str, Any]
    drawn: Scan | None


class Anew:
    """All that a run found, from rows."""

    def __init__(self, tables: dict[str, str]) -> None:
        self.known = Known(tables)
        self.q = float(self.known.parameters["trouble"]["q"])
        self.calendars = {row["id"]: Calendar(self.known, row) for row in self.known.paths}
        self.units: list[Unit] = []
        for row in self.known.paths:
            self.units += units_of(self.known, row, self.calendars[row["id"]])
        self.left_out = left_out(self.units)
        failed = np.array([unit.failed for unit in self.units])
        energised = np.array([unit.exposed for unit in self.units])
        self.factors = weather_factors(failed, energised)
        self.counts, self.exposed = failed.sum(axis=1), energised @ self.factors
        self.kind = np.array([unit.kind for unit in self.units])
        self.path = np.array([unit.path for unit in self.units])
        self.p, self.level, self.out, self.peers = flagged(
            self.counts, self.exposed, self.kind, self.q
        )
        self.expected = self.exposed * np.array([self.peers[word].mean for word in self.kind])
        self.in_scan = np.isin(self.kind, ("splice", "segment"))
        self._totals()

    def _totals(self) -> None:
        self.paths = [row["id"] for row in self.known.paths]
        own = [(self.path == path) & self.in_scan for path in self.paths]
        self.awaited = np.array([self.expected[one].sum() for one in own])
        self.failed = np.array([self.counts[one].sum() for one in own])
        self.failed = np.where(self.awaited > 0, self.failed, 0)
        self.path_p, _ = chances(self.failed, self.awaited, np.ones(len(own), dtype=bool))
        self.spread = fit(self.failed, self.awaited).spread
        screen = 2.0 if len(own) <= ALL_SCANNED else max(SCREEN, ALL_SCANNED / len(own))
        self.scanned = np.flatnonzero((self.path_p < screen) & (self.failed > 1)).tolist()

    def cells(self, path: str) -> Array:
        """A path's cells as numbers of units."""
        return np.flatnonzero((self.path == path) & self.in_scan)

    def _scan(self, path: str, spread: float) -> Scan:
        cells = self.cells(path)
        cell_of = {
            place: n
            for n, unit in enumerate(cells)
            for place in self.units[unit].places
            if self.units[unit].alive
        }
        links = {
            (cell_of[one], cell_of[other])
            for one, other in links_of(self.known, path)
            if one in cell_of and other in cell_of and cell_of[one] != cell_of[other]
        }
        return scan(self.counts[cells], self.expected[cells], links, spread, WORLDS)

    @cached_property
    def scans(self) -> dict[str, Scan]:
        """Of each path scanned: first as if cells were alike, what stands out again with the
        spread of the others."""
        alike = {self.paths[n]: self._scan(self.paths[n], 0.0) for n in self.scanned}
        found = dict(alike)
        bad = self.standing_out(found)
        while bad:
            out = [unit for path in bad for unit in self.units_in(path, alike[path].best[0])]
            for path in bad:
                found[path] = self._scan(path, self._spread([*self.cells(path), *out]))
            left = [path for path in self.standing_out(found) if path in bad]
            if left == bad:
                break
            bad = left
        return found

    def standing_out(self, found: dict[str, Scan]) -> list[str]:
        """Paths whose strongest stretch stands out."""
        level = adjusted(np.array([one.chance for one in found.values()]))
        return [path for path, one in zip(found, level, strict=True) if one <= self.q]

    def units_in(self, path: str, stretch: frozenset[int]) -> list[int]:
        """Cells of a path as numbers of units."""
        return [int(self.cells(path)[cell]) for cell in stretch]

    def _spread(self, without: list[int]) -> float:
        kept = self.in_scan & ~self.out & (self.exposed > 0)
        kept[without] = False
        return fit(self.counts[kept], self.expected[kept]).spread

    def flags(self) -> list[Flag]:
        """What a first run raises."""
        found, inside = [], set()
        for path in self.standing_out(self.scans):
            one = self.scans[path]
            ties = [self.units_in(path, stretch) for stretch in one.best]
            if self.counts[ties[0]].sum() > 1 and self.units[ties[0][0]].alive:
                names = [frozenset().union(*(self.units[n].places for n in tie)) for tie in ties]
                found.append(Flag(path, "stretch", names, self._facts(path, ties[0]), one))
                inside |= set(ties[0])
        for unit in np.flatnonzero(self.out).tolist():
            if unit not in inside and self.units[unit].alive:
                path = self.units[unit].path
                facts = self._facts(path, [unit])
                facts |= {"p": self.p[unit], "q": self.level[unit]}
                found.append(Flag(path, "place", [self.units[unit].places], facts, None))
        return found

    def _facts(self, path: str, units: list[int]) -> dict[str, Any]:
        failed, awaited = int(self.counts[units].sum()), float(self.expected[units].sum())
        energised = sum(self.calendars[path].spent(0.0, self.known.at))
        n = self.paths.index(path)
        facts = {
            "failures": failed,
            "expected": awaited,
            "energised_days": energised,
            "metres": sum(self.units[unit].metres for unit in units),
            "ratio_low": stats.chi2.ppf(0.025, 2 * failed) / 2 / awaited,
            "ratio_high": stats.chi2.ppf(0.975, 2 * failed + 2) / 2 / awaited,
            **self._posterior(failed, awaited, energised),
            "spread": self.spread,
            "peers": {word: _told(one) for word, one in self.peers.items()},
        }
        if self.kind[units[0]] != "device" and path in self.scans:
            whole = self.expected[self.cells(path)].sum()
            facts["expected_of_path"] = awaited * self.failed[n] / whole
            facts["path_p"] = self.path_p[n]
        return facts

    def _posterior(self, failed: int, awaited: float, energised: float) -> dict[str, float]:
        """The rate against what peers expect, drawn towards them by the spread of the paths."""
        if self.spread == 0.0:
            mean = low = high = 1.0
        else:
            shape = 1 / self.spread
            own = stats.gamma(shape + failed, scale=1 / (shape + awaited))
            mean, (low, high) = own.mean(), own.interval(0.95)
        return {
            "posterior_ratio": mean,
            "posterior_low": low,
            "posterior_high": high,
            "posterior_a_year": mean * awaited * YEAR / energised,
        }


def _told(one: Fit) -> dict[str, float]:
    return {"units": one.units, "rate": one.mean, "spread": one.spread}
