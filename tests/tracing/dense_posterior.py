"""The posterior of a small path, reckoned densely and by itself.

Written from ``docs/algorithms/posterior.md`` alone and sharing no code with the project: its own
circuit (dense nodal matrices), conductors, covariance, slip sets and quadrature. R: composite
Gauss-Legendre in log R, panels halved until they agree. s: Gauss-Legendre panels over 8 spreads,
weighted with the normal density. An unknown coil: Gauss-Legendre in log|z| where it matters.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.special import ndtr

from tests.tracing.dense_network import DenseNetwork, Document, Floats, Response
from tests.tracing.dense_readings import Meter, Reading, Readings

LOW_OHM, HIGH_OHM = 0.05, 60.0
OFF_SHARE = 0.15
SOUND_SPREAD, OVERLOAD_MEAN, OVERLOAD_SPREAD = 0.35, 0.6, 0.4
CONTROLLER, NONE, OVERLOAD, HIDDEN, OTHER = 0.03, 0.03, 0.02, 0.01, 0.01
UNMAPPED_WEIGHT, MISCOUNT = 0.03, 0.02
Place = tuple[str, str]


@dataclass(frozen=True)
class Nodes:
    """Counts of nodes: of one panel in log R, panels and nodes of s, of a sound path's s.

    ``tolerance``: a panel is halved while that changes it by more than this share of all.
    ``floor``: with the coil unknown, terms of a cell surely below this share of all are left out.
    """

    of_panel: int = 12
    first_panels: int = 6
    scale_panels: int = 28
    scale_nodes: int = 10
    sound_panels: int = 60
    tolerance: float = 1e-12
    floor: float = 1e-16
    deepest: int = 24


@dataclass(frozen=True)
class Observed:
    """What was read. ``looks``: {"shown", "legs_on"}; ``counts``: {"node", "seen"}; ``no_stray``:
    nodes where a cable beyond the map was looked for and not found."""

    readings: Sequence[Reading] = ()
    looks: Sequence[dict[str, Any]] = ()
    counts: Sequence[dict[str, Any]] = ()
    no_stray: Sequence[str] = ()


@dataclass(frozen=True)
class Known:
    """What was known before. ``priors``: weight by place; ``misread`` of a look."""

    coil_ohm: complex | None = None
    meter: Meter = field(default_factory=Meter)
    priors: dict[Place, float] = field(default_factory=dict)
    misread: float = 0.01


def dense_posterior(
    survey: Document, observed: Observed, known: Known, nodes: Nodes | None = None
) -> dict[Place, float]:
    """Chance of each place, and of ("none", ""), ("controller", ""), ..., ("other", "")."""
    return DensePosterior(survey, observed, known, nodes or Nodes()).chances()


def gauss_legendre(low: float, high: float, panels: int, count: int) -> tuple[Floats, Floats]:
    """Nodes and weights of equal panels."""
    x, w = np.polynomial.legendre.leggauss(count)
    edges = np.linspace(low, high, panels + 1)
    half = np.diff(edges)[:, None] / 2.0
    middle = (edges[1:] + edges[:-1])[:, None] / 2.0
    return (middle + half * x).reshape(-1), (half * w).reshape(-1)


def normal_nodes(mean: float, spread: float, panels: int, count: int) -> tuple[Floats, Floats]:
    """Values of s = exp(log s) and their prior masses over 8 spreads either side."""
    x, w = gauss_legendre(-8.0, 8.0, panels, count)
    return np.exp(mean + spread * x), w * np.exp(-(x**2) / 2.0) / math.sqrt(2.0 * math.pi)


class Looks:
    """Likelihood of the looks for the message and of the report that began the trace."""

    def __init__(self, observed: Observed, path: Document, known: Known) -> None:
        self.path, self.misread = path, known.misread
        self.spread = max(path.get("trip_spread", 0.0), 0.05)
        self.with_legs, self.without = (
            tuple(
                sum(1 for k in observed.looks if k["shown"] is s and (k["legs_on"] == []) is none)
                for s in (True, False)
            )
            for none in (False, True)
        )

    def current_ma(self, seen: Response) -> Floats:
        """Without coil, all legs on."""
        loop = complex(*self.path["source_ohm"]) + 1.0 / seen.total
        return np.asarray(1000.0 * self.path["source_v"] / np.abs(loop))

    def shows(self, current_ma: Floats) -> Floats:
        """c(I)."""
        over = (current_ma / self.path["trip_ma"] - 1.0) / self.spread
        return np.asarray(np.clip(ndtr(over), self.misread, 1.0 - self.misread))

    def _seen(self, current_ma: Floats, shown: int, not_shown: int) -> Floats:
        x, w = np.polynomial.hermite_e.hermegauss(5)
        total = np.zeros(current_ma.shape)
        for node, weight in zip(x, w / w.sum(), strict=True):
            c = self.shows(current_ma * (1.0 + 0.06 * node))
            total += weight * c**shown * (1.0 - c) ** not_shown
        return total

    def of_current(self, current_ma: Floats) -> Floats:
        """All looks; with no leg on nothing flows."""
        alone = self._seen(np.zeros(1), *self.without)
        return self._seen(current_ma, *self.with_legs) * alone

    def report(self, current_ma: Floats) -> Floats:
        """That a faulted path was reported."""
        return 0.05 + 0.95 * self.shows(current_ma)

    def overload(self, current_ma: Floats) -> Floats:
        """That a sound path trips by itself."""
        over = (current_ma / self.path["trip_ma"] - 1.0) / math.hypot(self.spread, 0.06)
        return np.asarray(ndtr(over)) + 1e-12

    @property
    def controller(self) -> float:
        """Shows whatever hangs on it."""
        shown, not_shown = np.add(self.with_legs, self.without)
        return float((1.0 - self.misread) ** shown * self.misread**not_shown)

    @property
    def hidden(self) -> float:
        """Even chances with legs on, nothing without."""
        shown, not_shown = self.without
        alone = self.misread**shown * (1.0 - self.misread) ** not_shown
        return float(0.5 ** sum(self.with_legs) * alone)


class DensePosterior:
    """One reckoning."""

    def __init__(self, survey: Document, observed: Observed, known: Known, nodes: Nodes) -> None:
        self.survey, self.observed, self.known, self.nodes = survey, observed, known, nodes
        self.network = DenseNetwork(survey)
        self.readings = Readings(self.network, observed.readings, known.meter, known.coil_ohm)
        self.looks = Looks(observed, survey["path"], known)
        scales, masses = normal_nodes(0.0, SOUND_SPREAD, nodes.scale_panels, nodes.scale_nodes)
        self.scales = np.append(scales, 0.0)
        self.masses = np.append((1.0 - OFF_SHARE) * masses, OFF_SHARE)
        self.inverses = self.network.inverses(self.scales)

    def prior(self) -> dict[Place, float]:
        """Weights of places, scaled, then what was counted."""
        network = self.network
        weight: dict[Place, float] = {}
        for kind, name in network.number:
            if kind == "middle":
                weight["segment", name] = 1.0
            elif kind == "node" and name != network.root:
                weight["splice", name] = 1.0
                weight["unmapped", name] = UNMAPPED_WEIGHT
        weight |= {("device", name): 1.0 for name in network.device}
        weight = {at: w * self.known.priors.get(at, 1.0) for at, w in weight.items()}
        left = 1.0 - CONTROLLER - NONE - OVERLOAD - HIDDEN - OTHER
        total = sum(weight.values())
        weight = {at: w * left / total for at, w in weight.items()}
        odds = MISCOUNT / (1.0 - MISCOUNT)
        for count in self.observed.counts:
            at = ("unmapped", count["node"])
            if at in weight and count["node"] not in self.observed.no_stray:
                more = count["seen"] - self._on_map(count["node"])
                weight[at] *= odds if more == 0 else 1.0 / odds if more > 0 else 1.0
        for node in self.observed.no_stray:
            weight["unmapped", node] *= MISCOUNT**2
        return weight

    def _on_map(self, node: str) -> int:
        ends = [s[end] for s in self.survey["segments"] for end in ("from", "to")]
        return ends.count(node) + sum(d["node"] == node for d in self.survey["devices"])

    def chances(self) -> dict[Place, float]:
        """All of it, scaled to 1."""
        joint = self._apart()
        prior = self.prior()
        by_vertex: dict[int, list[Place]] = {}
        for place in prior:
            by_vertex.setdefault(self.vertex(place), []).append(place)
        own = {
            ("device", r["wire"]) if r["kind"] == "lead" else ("unmapped", r["node"])
            for r in self.observed.readings
        }
        coarse: dict[int, _Panels] = {}
        for vertex, places in by_vertex.items():
            kinds = [p for p in places if p in own] + [p for p in places if p not in own][:1]
            coarse[vertex] = _Panels(self, vertex, kinds, prior)
        scale = sum(joint.values()) + sum(panels.rough for panels in coarse.values())
        for vertex, places in by_vertex.items():
            evidence = coarse[vertex].refined(scale)
            shared = next((p for p in evidence if p not in own), None)
            for place in places:
                joint[place] = prior[place] * evidence[place if place in evidence else shared]  # type: ignore[index]
        total = math.fsum(joint.values())
        return {place: value / total for place, value in joint.items()}

    def vertex(self, place: Place) -> int:
        """Where a short at a place sits."""
        kind, name = place
        if kind == "segment":
            return self.network.number["middle", name]
        if kind == "device":
            name = self.network.device[name][0]
        return self.network.number["node", name]

    def _apart(self) -> dict[Place, float]:
        count = self.nodes.sound_panels
        scales, masses = normal_nodes(0.0, SOUND_SPREAD, count, self.nodes.scale_nodes)
        seen, looks = self.network.sound(scales), self.looks
        current = looks.current_ma(seen)
        nobody = ("none", "")
        read = masses * self.readings.likelihood(seen, self.readings.shares(seen, nobody), 0.0)
        joint = {
            nobody: NONE * 0.3 * float(read @ looks.of_current(current)),
            ("controller", ""): CONTROLLER * looks.controller * float(read.sum()),
            ("hidden", ""): HIDDEN * looks.hidden * float(read.sum()),
        }
        scales, masses = normal_nodes(OVERLOAD_MEAN, OVERLOAD_SPREAD, count, self.nodes.scale_nodes)
        seen = self.network.sound(scales)
        current = looks.current_ma(seen)
        read = masses * self.readings.likelihood(seen, self.readings.shares(seen, nobody), 0.0)
        trips = looks.overload(current) * looks.of_current(current)
        joint["overload", ""] = OVERLOAD * float(read @ trips)
        of_any = self.readings.top ** -len(self.observed.readings)
        joint["other", ""] = OTHER * looks.hidden * of_any
        return joint

    def integrand(self, vertex: int, places: Sequence[Place], ohm: Floats, floor: float) -> Floats:
        """(places, R): the evidence at each R, s integrated out."""
        seen = self.network.shorted(vertex, ohm, self.scales, self.inverses)
        current = self.looks.current_ma(seen)
        factor = self.looks.of_current(current) * self.looks.report(current)
        mass = np.tile(self.masses, len(ohm)) * factor
        made = []
        for place in places:
            shares = self.readings.shares(seen, place)
            read = self.readings.likelihood(seen, shares, floor / np.maximum(mass, 1e-300))
            made.append((mass * read).reshape(len(ohm), -1).sum(1))
        return np.array(made)


class _Panels:
    """Panels in log R for the places of one vertex, halved until they agree."""

    def __init__(
        self, whole: DensePosterior, vertex: int, places: list[Place], prior: dict[Place, float]
    ) -> None:
        self.places = places
        self.prior = np.array([prior[p] for p in places])
        self.function: Callable[[Floats, float], Floats] = lambda ohm, floor: whole.integrand(
            vertex, places, ohm, floor
        )
        self.nodes = whole.nodes
        self.x, w = np.polynomial.legendre.leggauss(self.nodes.of_panel)
        self.w = w / 2.0
        edges = np.linspace(math.log(LOW_OHM), math.log(HIGH_OHM), self.nodes.first_panels + 1)
        self.panels = np.stack([edges[:-1], edges[1:]], 1)
        self.range = edges[-1] - edges[0]
        self.values = self._values(self.panels, 0.0)
        self.rough = float((self.prior[:, None] * self.values).sum())

    def _values(self, panels: Floats, floor: float) -> Floats:
        """(places, panels): prior mass times mean of each panel."""
        width = panels[:, 1] - panels[:, 0]
        log_ohm = panels.mean(1)[:, None] + width[:, None] / 2.0 * self.x
        made = self.function(np.exp(log_ohm).reshape(-1), floor)
        return made.reshape(len(made), *log_ohm.shape) @ self.w * (width / self.range)

    def refined(self, scale: float) -> dict[Place, float]:
        """Evidence of each place."""
        total = np.zeros(len(self.places))
        panels, values = self.panels, self.values
        for _ in range(self.nodes.deepest):
            middle = panels.mean(1)
            halves = np.stack(
                [np.stack([panels[:, 0], middle], 1), np.stack([middle, panels[:, 1]], 1)], 1
            )
            made = self._values(halves.reshape(-1, 2), self.nodes.floor * scale)
            made = made.reshape(len(self.places), -1, 2)
            change = np.abs(made.sum(2) - values) * self.prior[:, None]
            rough = (change > self.nodes.tolerance * scale).any(0)
            total += made[:, ~rough].sum((1, 2))
            if not rough.any():
                break
            panels = halves[rough].reshape(-1, 2)
            values = made[:, rough].reshape(len(self.places), -1)
        else:
            total += values.sum(1)
        return dict(zip(self.places, total, strict=True))
