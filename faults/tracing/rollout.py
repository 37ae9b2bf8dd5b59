"""What following the screen would cost from here: each of the best visits played to its end.

The tree is contracted to *cells*: stretches of points that no candidate visit tells apart. A
visit splits the open cells into those above it, on each wire that goes on, and at the place
itself; the screen (eliminated chance per minute) then says where to go next, until one cell
holds nearly all. One step of it followed by the screen is never worse than the screen alone
(policy improvement; Bertsekas, *Rollout Algorithms*, MEM).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from faults.tracing.posterior import Posterior
from faults.tracing.sight import Sight

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

CANDIDATES = 10
MARGIN = 0.015
"""By how much a visit must beat the one the screen would take: the cells are coarse, and what they
tell within a per cent or two is their own error."""
STOPS = 44
SURE = 0.95
TELLS = 0.5
MOST_STATES = 900


@dataclass(frozen=True, slots=True)
class Visit:
    """A node to go to: minutes to get there and read, the chance that it eliminates, and the
    chance that the fault lies below it."""

    node: str
    point: int
    minutes: float
    eliminates: float
    below: float


@dataclass(frozen=True, slots=True)
class Rolled:
    """The best first visit, (chance, minutes) of each way it may end, and the expected minutes
    of walking outward-blind: the worst of the visits rolled out."""

    node: str
    remaining_min: tuple[tuple[float, float], ...]
    instead_min: float | None


class Walks(Protocol):
    """Minutes between nodes."""

    at: dict[str, int]

    def minutes_from(self, node_id: str) -> FloatArray:
        """Minutes to every node, in the path's order."""
        ...


def roll_out(
    walks: Walks,
    posterior: Posterior,
    sight: Sight,
    here: str,
    visits: list[Visit],
    rates: FloatArray,
) -> Rolled:
    """Play the ten best visits to their ends and take the one that costs least."""
    order = np.argsort(-rates, kind="stable")
    stops = _stops(visits, order, sight)
    table = _Table(walks, posterior, sight, here, [visits[i] for i in stops])
    firsts = [k for k, i in enumerate(stops) if i in set(order[:CANDIDATES].tolist())]
    costs = [table.cost_of_first(k) for k in firsts]
    best = int(np.argmin(costs))
    screened_best = firsts.index(stops.index(int(order[0])))
    if costs[best] > (1.0 - MARGIN) * costs[screened_best]:
        best = screened_best
    chosen = table.visits[firsts[best]]
    return Rolled(
        node=chosen.node,
        remaining_min=tuple(table.endings(firsts[best])),
        instead_min=float(max(costs)) if len(costs) > 1 else None,
    )


def screened(
    walks: Walks,
    posterior: Posterior,
    sight: Sight,
    here: str | Visit,
    visits: list[Visit],
    rates: FloatArray,
) -> tuple[tuple[float, float], ...]:
    """(chance, minutes) of every way that following the screen alone may end; ``here`` is a visit
    where more is read before one goes."""
    order = np.argsort(-rates, kind="stable")
    stops = [visits[i] for i in _stops(visits, order, sight)] if visits else []
    if isinstance(here, Visit):
        first, here = here, here.node
        stops = sorted([*stops, first], key=lambda visit: visit.point)
    else:
        first = visits[int(order[0])]
    table = _Table(walks, posterior, sight, here, stops)
    position = stops.index(first)
    table.minutes[-1, position] = first.minutes
    return tuple(table.endings(position))


def _stops(visits: list[Visit], order: NDArray[np.int64], sight: Sight) -> list[int]:
    """The visits that the contracted tree keeps: the best by rate, then some spread evenly over
    the chance so that every stretch can still be halved."""
    keep = list(order[: STOPS // 2])
    by_point = sorted(range(len(visits)), key=lambda i: visits[i].point)
    marks = sight.mass_before[[visits[i].point for i in by_point]]
    wanted = np.linspace(0.0, float(sight.mass_before[-1]), STOPS - len(keep) + 2)[1:-1]
    spread = np.searchsorted(marks, wanted).clip(0, len(by_point) - 1)
    keep += [by_point[int(i)] for i in spread]
    return sorted({int(i) for i in keep}, key=lambda i: visits[i].point)


class _Table:
    """Cells, the parts that each visit splits them into, and minutes between stops."""

    def __init__(
        self,
        walks: Walks,
        posterior: Posterior,
        sight: Sight,
        here: str,
        visits: list[Visit],
    ) -> None:
        self.visits = visits
        view = posterior.view
        spans: list[list[tuple[int, int]]] = []
        cuts = {0, view.size}
        for visit in visits:
            own = []
            point = visit.point
            if point and sight.tells[point] > TELLS:
                own.append((point, int(view.last[point])))
            child = point + 1
            while child < view.last[point]:
                if sight.tells[child] > TELLS:
                    own.append((child, int(view.last[child])))
                child = int(view.last[child])
            spans.append(own)
            cuts |= {end for span in own for end in span}
        edges = np.array(sorted(cuts))
        mass = np.diff(sight.mass_before[edges])
        self.mass = np.append(mass, sight.apart)
        self.width = np.append(np.diff(edges), 1).astype(np.float64)
        starts = edges[:-1]
        parts: list[BoolArray] = []
        self.first_part = [0]
        for own in spans:
            label = np.zeros(len(self.mass), dtype=np.int64)
            for k, (low, high) in enumerate(own, start=1):
                label[:-1][(starts >= low) & (starts < high)] = k
            parts += [label == k for k in range(int(label.max()) + 1)]
            self.first_part.append(len(parts))
        self.parts = np.array(parts)
        self.parts_float = self.parts.astype(np.float64)
        self.reduce_at = np.array(self.first_part[:-1])
        ids = [visit.node for visit in visits]
        columns = [walks.at[node] for node in ids]
        self.minutes = np.stack([walks.minutes_from(node)[columns] for node in [*ids, here]])
        read = np.array([v.minutes for v in visits]) - self.minutes[-1]
        self.minutes += np.maximum(read, 0.0)[None, :]
        np.maximum(self.minutes, 1e-3, out=self.minutes)
        self.usual_min = float(np.median(self.minutes[-1])) if ids else 1.0
        self.memo: dict[tuple[bytes, int], float] = {}

    def cost_of_first(self, visit: int) -> float:
        """Expected minutes when this visit comes first."""
        everything = np.ones(len(self.mass), dtype=np.bool_)
        return self._after(everything, len(self.visits), visit)

    def _after(self, mask: BoolArray, position: int, visit: int) -> float:
        total = float(self.mass[mask].sum())
        cost = float(self.minutes[position, visit])
        for part in self._split(mask, visit):
            share = float(self.mass[part].sum()) / total
            if share > 1e-4:
                cost += share * self._cost(part, visit)
        return cost

    def _split(self, mask: BoolArray, visit: int) -> list[BoolArray]:
        rows = self.parts[self.first_part[visit] : self.first_part[visit + 1]]
        split = [mask & row for row in rows]
        return [part for part in split if part.any()]

    def _cost(self, mask: BoolArray, position: int) -> float:
        key = (mask.tobytes(), position)
        known = self.memo.get(key)
        if known is None:
            visit = self._screen(mask, position)
            if visit is None or len(self.memo) > MOST_STATES:
                known = self._leftover(mask)
            else:
                known = self._after(mask, position, visit)
            self.memo[key] = known
        return known

    def _screen(self, mask: BoolArray, position: int) -> int | None:
        """The visit that eliminates most per minute; None where one cell holds nearly all."""
        mass = np.where(mask, self.mass, 0.0)
        total = mass.sum()
        if total <= 0.0 or mass.max() >= SURE * total:
            return None
        held = self.parts_float @ (mass / total)
        eliminates = 1.0 - np.add.reduceat(held * held, self.reduce_at)
        best = int((eliminates / self.minutes[position]).argmax())
        return best if eliminates[best] > 1e-3 else None

    def _leftover(self, mask: BoolArray) -> float:
        """Minutes to part what the contracted tree cannot: about two halvings of each three
        points, at the usual price of a visit."""
        mass = np.where(mask, self.mass, 0.0)
        total = mass.sum()
        if total <= 0.0:
            return 0.0
        bits = np.log2(np.maximum(self.width / 3.0, 1.0)) @ (mass / total)
        return float(bits) * self.usual_min * 0.5

    def endings(self, first: int) -> list[tuple[float, float]]:
        """(chance, minutes) of every way that a first visit may end."""
        everything = np.ones(len(self.mass), dtype=np.bool_)
        endings: list[tuple[float, float]] = []
        stack = [(everything, len(self.visits), 0.0, first)]
        while stack and len(endings) < 400:
            mask, position, spent, visit = stack.pop()
            spent += float(self.minutes[position, visit])
            for part in self._split(mask, visit):
                share = float(self.mass[part].sum())
                if share <= 1e-4:
                    continue
                onward = self._screen(part, visit)
                if onward is None:
                    endings.append((share, spent + self._leftover(part)))
                else:
                    stack.append((part, visit, spent, onward))
        return endings


def quantile(endings: tuple[tuple[float, float], ...], share: float) -> float:
    """The minutes that ``share`` of the chance does not exceed; 0 without endings."""
    if not endings:
        return 0.0
    ordered = sorted(endings, key=lambda pair: pair[1])
    goal = share * math.fsum(chance for chance, _ in ordered)
    reached = 0.0
    for chance, minutes in ordered:
        reached += chance
        if reached >= goal:
            return minutes
    return ordered[-1][1]
