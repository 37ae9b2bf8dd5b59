"""The raw rows of an audit as CSV, read, and which places are the same: for ``recompute``."""

from __future__ import annotations

import csv
import heapq
import io
import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any

from scipy import stats

Row = dict[str, str]
Table = dict[str, dict[str, Any]]
"""Values of columns by the key of the row."""

YEAR = 365.25
KINDS = ("splice", "segment", "device")


@dataclass
class Question:
    """What was asked; days since 1970."""

    until: float
    start: float | None = None
    place: str = ""
    crew: str = ""
    window: float = 365.0
    rule: str = "splices-1"


def read(text: str) -> list[Row]:
    """Rows of a CSV, with the apostrophe before a formula taken off."""

    def plain(value: str) -> str:
        return value[1:] if value[:1] == "'" and value[1:2] in tuple("=+-@\t\r\n") else value

    rows = csv.DictReader(io.StringIO(text, newline=""))
    return [{name: plain(value) for name, value in row.items()} for row in rows]


def days(text: str) -> float | None:
    """A time as days since 1970."""
    return datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp() / 86400 if text else None


def day(text: str) -> float | None:
    """A date as days since 1970."""
    return datetime.fromisoformat(f"{text}T00:00:00+00:00").timestamp() / 86400 if text else None


def band(made: float | None, at: float) -> str:
    """The age band."""
    if made is None:
        return "age not told"
    years = (at - made) / YEAR
    if years < 5:
        return "under 5 years"
    if years < 10:
        return "5 to 10 years"
    return "10 to 15 years" if years < 15 else "15 years and over"


def spent(made: float | None, start: float, stop: float) -> dict[str, float]:
    """Days in each age band, by cutting the time at the birthdays."""
    if stop <= start:
        return {}
    cuts = [start, stop]
    if made is not None:
        cuts += [made + n * YEAR for n in (5, 10, 15) if start < made + n * YEAR < stop]
    cuts.sort()
    found: dict[str, float] = defaultdict(float)
    for first, last in pairwise(cuts):
        found[band(made, (first + last) / 2)] += last - first
    return found


class Books:
    """The raw tables, read."""

    def __init__(self, tables: dict[str, str], question: Question) -> None:
        self.question = question
        self.calls = read(tables["raw-calls"])
        self.failures = read(tables["raw-failures"])
        self.repairs = read(tables["raw-repairs"])
        self.parts = read(tables["raw-parts"])
        self.flags = read(tables["raw-flags"])
        self.ground = read(tables["raw-ground"])
        self.maps: dict[str, list[Row]] = defaultdict(list)
        for row in read(tables["raw-maps"]):
            self.maps[row["path"]].append(row)
        self._exposure: dict[tuple[str, str], float] = defaultdict(float)
        self._failed: dict[tuple[str, str], int] = defaultdict(int)
        for row in self.ground:
            start, stop = self.span(row)
            for age, much in spent(day(row["made_on"]), start, stop).items():
                self._exposure[row["kind"], age] += much * float(row["amount"])
        for row in self.failures:
            at = self.time(row["at"])
            if at < question.until and row["place_kind"] in KINDS:
                self._failed[row["place_kind"], band(day(row["made_on"]), at)] += 1
        opened = [row for row in self.calls if row["cancelled"] == "false"]
        opened = [row for row in opened if self.time(row["opened_at"]) < question.until]
        proved = sum(self._failed.values())
        self.calls_each = len(opened) / proved if proved else 0.0

    @staticmethod
    def time(text: str) -> float:
        found = days(text)
        assert found is not None
        return found

    def span(self, row: Row) -> tuple[float, float]:
        stop = days(row["until_at"])
        until = self.question.until
        return self.time(row["from_at"]), until if stop is None else min(stop, until)

    def rate(self, kind: str, age: str) -> float:
        exposure = self._exposure.get((kind, age), 0.0)
        return self._failed.get((kind, age), 0) / exposure if exposure > 0 else 0.0

    def asks(self, row: Row, at: float) -> bool:
        q = self.question
        return (
            at < q.until
            and (q.start is None or at >= q.start)
            and (not q.place or row["property"] == q.place)
            and (not q.crew or row["crew"] == q.crew)
        )


# ---------------------------------------------------------------- the same place


class Ground:
    """One path's newest map as a graph of steps or of metres."""

    def __init__(self, rows: list[Row], rule: str) -> None:
        word, _, number = rule.partition("-")
        self.reach = float(number or 0)
        self.metres = word == "metres"
        self.very = word == "very"
        self.rows = rows
        self.cables = {row["code"]: row for row in rows if row["kind"] == "segment"}
        self.nodes = {row["code"] for row in rows if row["kind"] in ("splice", "controller")}
        self.node_of = {row["code"]: row["from_node"] for row in rows if row["kind"] == "device"}
        self.next: dict[str, list[tuple[str, float]]] = defaultdict(list)
        for row in self.cables.values():
            long = self.long(row)
            self.next[row["from_node"]].append((row["to_node"], long))
            self.next[row["to_node"]].append((row["from_node"], long))

    def long(self, cable: Row) -> float:
        return float(cable["amount"]) if self.metres else 1.0

    def spot(self, kind: str, code: str) -> tuple[str, str] | None:
        """Where a place lies: at a node or within a cable."""
        if kind == "segment":
            return ("cable", code) if code in self.cables else None
        node = self.node_of.get(code, "") if kind == "device" else code
        return ("node", node) if node in self.nodes else None

    def ways(self, spot: tuple[str, str]) -> dict[str, float]:
        """How far every node is."""
        if spot[0] == "node":
            ahead = [(0.0, spot[1])]
        else:
            cable = self.cables[spot[1]]
            half = self.long(cable) / 2
            ahead = [(half, cable["from_node"]), (half, cable["to_node"])]
        heapq.heapify(ahead)
        far: dict[str, float] = {}
        while ahead:
            way, node = heapq.heappop(ahead)
            if node in far or way > self.reach + 1e-6:
                continue
            far[node] = way
            for other, long in self.next[node]:
                heapq.heappush(ahead, (way + long, other))
        return far

    def same(self, one: tuple[str, str], other: tuple[str, str]) -> bool:
        if one == other:
            return True
        far = self.ways(one)
        if other[0] == "node":
            return far.get(other[1], math.inf) <= self.reach + 1e-9
        cable = self.cables[other[1]]
        half = self.long(cable) / 2
        ends = (cable["from_node"], cable["to_node"])
        return min(far.get(end, math.inf) for end in ends) + half <= self.reach + 1e-9

    def around(self, spot: tuple[str, str]) -> Iterable[tuple[Row, float]]:
        """What lies at the same place, and how much of each."""
        far = self.ways(spot)
        near = {node for node, way in far.items() if way <= self.reach + 1e-9}
        for row in self.rows:
            node = {"splice": row["code"], "device": row["from_node"]}.get(row["kind"])
            if node in near:
                yield row, 1.0
            elif row["kind"] == "segment" and (share := self.part(row, spot, far)) > 0:
                yield row, share

    def part(self, cable: Row, spot: tuple[str, str], far: dict[str, float]) -> float:
        long = self.long(cable)
        if spot == ("cable", cable["code"]):
            return min(2 * min(long / 2, self.reach) / long, 1.0) if self.metres else 1.0
        left = [self.reach - far.get(cable[end], math.inf) for end in ("from_node", "to_node")]
        if not self.metres:
            return 1.0 if max(left) >= 0.5 else 0.0
        return min(sum(max(one, 0.0) for one in left) / long, 1.0)


def is_same(ground: Ground, one: Row, other: Row) -> bool:
    """Whether two places of a path are the same."""
    if (one["place_kind"], one["place"]) == (other["place_kind"], other["place"]):
        return True
    if ground.very:
        return False
    a = ground.spot(one["place_kind"], one["place"])
    b = ground.spot(other["place_kind"], other["place"])
    return a is not None and b is not None and ground.same(a, b)


@dataclass
class After:
    """What came after a repair."""

    repair: Row
    again: bool
    chance: float


def repairs_again(books: Books) -> list[After]:
    """Each repair at a known place, with the next failure there and the chance of one."""
    q, found = books.question, []
    grounds = {path: Ground(rows, q.rule) for path, rows in books.maps.items()}
    for repair in books.repairs:
        at = books.time(repair["at"])
        if not repair["path"] or at >= q.until:
            continue
        ground = grounds.get(repair["path"]) or Ground([], q.rule)
        again = any(
            failure["path"] == repair["path"]
            and at < books.time(failure["at"]) <= at + q.window
            and books.time(failure["at"]) < q.until
            and is_same(ground, repair, failure)
            for failure in books.failures
        )
        spot = None if ground.very else ground.spot(repair["place_kind"], repair["place"])
        if spot is None:
            own = {**repair, "kind": repair["place_kind"]}
            around: list[tuple[Row, float]] = [(own, 1.0)]
        else:
            around = list(ground.around(spot))
        expected = sum(
            share * float(row["amount"]) * books.rate(row["kind"], band(day(row["made_on"]), at))
            for row, share in around
        )
        ahead = min(q.window, q.until - at)
        found.append(After(repair, again, 1 - math.exp(-expected * ahead)))
    return found


def against_chance(seen: list[bool], chances: list[float]) -> dict[str, Any]:
    """Expected, ratio, chance of so many or more."""
    expected = math.fsum(chances)
    count = sum(seen)
    more = float(stats.poisson_binom(chances).sf(count - 1)) if chances else None
    return {
        "expected": expected,
        "ratio": count / expected if expected > 0 else None,
        "p_value": more,
    }


def share(part: int, whole: int, name: str = "share") -> dict[str, Any]:
    """A share with exact limits."""
    if whole == 0:
        return {name: None, f"{name}_low": None, f"{name}_high": None}
    limits = stats.binomtest(part, whole).proportion_ci(0.95, method="exact")
    return {name: part / whole, f"{name}_low": limits.low, f"{name}_high": limits.high}
