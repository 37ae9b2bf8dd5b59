"""The figures of an audit worked out anew from its raw rows as CSV.

Written from docs/algorithms/audit.md alone; it shares no code with the product. Other ways are
gone wherever there are two: limits by scipy's distributions, the cumulative mean by its definition
in full, distances by a walk over a plain graph.
"""

from __future__ import annotations

import csv
import heapq
import io
import math
from collections import defaultdict
from collections.abc import Callable, Iterable
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
        awaited = sum(
            share * float(row["amount"]) * books.rate(row["kind"], band(day(row["made_on"]), at))
            for row, share in around
        )
        ahead = min(q.window, q.until - at)
        found.append(After(repair, again, 1 - math.exp(-awaited * ahead)))
    return found


def against_chance(seen: list[bool], chances: list[float]) -> dict[str, Any]:
    """Awaited, ratio, chance of so many or more."""
    awaited = math.fsum(chances)
    count = sum(seen)
    more = float(stats.poisson_binom(chances).sf(count - 1)) if chances else None
    return {
        "awaited": awaited,
        "ratio": count / awaited if awaited > 0 else None,
        "p_value": more,
    }


def share(part: int, whole: int, name: str = "share") -> dict[str, Any]:
    """A share with exact limits."""
    if whole == 0:
        return {name: None, f"{name}_low": None, f"{name}_high": None}
    limits = stats.binomtest(part, whole).proportion_ci(0.95, method="exact")
    return {name: part / whole, f"{name}_low": limits.low, f"{name}_high": limits.high}


# ---------------------------------------------------------------- repeat failures


def repeats(books: Books) -> dict[str, Table]:
    """The figures that group failures and repairs."""
    after = [
        one for one in repairs_again(books) if books.asks(one.repair, books.time(one.repair["at"]))
    ]
    failures = [row for row in books.failures if books.asks(row, books.time(row["at"]))]
    found: dict[str, Table] = {}
    for key, kind in (
        ("by-splice-kind", "splice"),
        ("by-device-kind", "device"),
        ("by-conductor", "segment"),
    ):
        found[key] = grouped(
            books,
            failures,
            after,
            lambda row, kind=kind: (
                (row["sort"] or "(not told)") if row["place_kind"] == kind else None
            ),
            lambda row, start, stop, kind=kind: (
                {row["sort"] or "(not told)": stop - start} if row["kind"] == kind else {}
            ),
        )
    for key, kind in (("splices", "splice"), ("devices", "device"), ("cable", "segment")):
        found[f"by-age-of-{key}"] = grouped(
            books,
            failures,
            after,
            lambda row, kind=kind: row["age"] if row["place_kind"] == kind else None,
            lambda row, start, stop, kind=kind: (
                spent(day(row["made_on"]), start, stop) if row["kind"] == kind else {}
            ),
        )
    found["by-crew"] = grouped(books, failures, after, lambda row: row["crew"], None)
    found["by-property"] = grouped(
        books,
        failures,
        after,
        lambda row: row["property"],
        lambda row, start, stop: {row["property"]: stop - start} if row["kind"] == "splice" else {},
    )
    return found


def grouped(
    books: Books,
    failures: list[Row],
    after: list[After],
    group: Callable[[Row], str | None],
    lies: Callable[[Row, float, float], dict[str, float]] | None,
) -> Table:
    q = books.question
    failed: dict[str, int] = defaultdict(int)
    mended: dict[str, list[After]] = defaultdict(list)
    exposed: dict[str, float] = defaultdict(float)
    for row in failures:
        name = group(with_age(books, row))
        if name is not None:
            failed[name] += 1
    for one in after:
        name = group(with_age(books, one.repair))
        if name is not None:
            mended[name].append(one)
    for row in books.ground if lies else ():
        assert lies is not None
        start, stop = books.span(row)
        start = start if q.start is None else max(start, q.start)
        if stop > start and (not q.place or row["property"] == q.place):
            for name, much in lies(row, start, stop).items():
                per = 1000 if row["kind"] == "segment" else 1
                exposed[name] += much * float(row["amount"]) / YEAR / per
    table: Table = {}
    for name in {*failed, *mended, *exposed}:
        count = failed.get(name, 0)
        own = mended.get(name, [])
        cells: dict[str, Any] = {
            "failures": count,
            "repairs": len(own),
            "again": sum(one.again for one in own),
            **against_chance([one.again for one in own], [one.chance for one in own]),
        }
        if lies is not None and not q.crew:
            cells |= rate(count, exposed.get(name, 0.0))
        table[name] = cells
    return table


def with_age(books: Books, row: Row) -> Row:
    return {**row, "age": band(day(row["made_on"]), books.time(row["at"]))}


def rate(count: int, exposure: float) -> dict[str, Any]:
    """A rate with Garwood's limits by χ²."""
    cells: dict[str, Any] = {
        "exposure": exposure,
        "rate": None,
        "rate_low": None,
        "rate_high": None,
    }
    if exposure > 0:
        low = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
        cells |= {
            "rate": count / exposure,
            "rate_low": low / exposure,
            "rate_high": stats.chi2.ppf(0.975, 2 * count + 2) / 2 / exposure,
        }
    return cells


def places(books: Books) -> Table:
    """Places that failed more than once, by their first failure."""
    q = books.question
    failures = [row for row in books.failures if books.asks(row, books.time(row["at"]))]
    after = {one.repair["repair"]: one for one in repairs_again(books)}
    group = list(range(len(failures)))
    grounds = {path: Ground(rows, q.rule) for path, rows in books.maps.items()}
    for one, row in enumerate(failures):
        for other, before in enumerate(failures[:one]):
            ground = grounds.get(row["path"])
            if row["path"] == before["path"] and ground and is_same(ground, row, before):
                old, new = group[one], group[other]
                group = [new if number == old else number for number in group]
    table: Table = {}
    for number in set(group):
        own = [row for row, of in zip(failures, group, strict=True) if of == number]
        if len(own) > 1:
            own.sort(key=lambda row: (books.time(row["at"]), row["finding"]))
            times = [books.time(row["at"]) for row in own]
            ids = {row["finding"] for row in own}
            table[f"{own[0]['path']} {own[0]['finding']}"] = {
                "failures": len(own),
                "days": times[-1] - times[0],
                "again": sum(
                    one.again
                    and books.asks(one.repair, books.time(one.repair["at"]))
                    and first_again(books, one, grounds) in ids
                    for one in after.values()
                ),
            }
    return table


def first_again(books: Books, one: After, grounds: dict[str, Ground]) -> str:
    at = books.time(one.repair["at"])
    q = books.question
    later = [
        (books.time(row["at"]), row["finding"])
        for row in books.failures
        if row["path"] == one.repair["path"]
        and at < books.time(row["at"]) <= at + q.window
        and books.time(row["at"]) < q.until
        and is_same(grounds[row["path"]], one.repair, row)
    ]
    return min(later)[1] if later else ""


# ---------------------------------------------------------------- repairs and parts


def holding(books: Books) -> dict[str, Table]:
    """Repairs that held or not, wet or not, with how many splices; parts."""
    q = books.question
    again = {one.repair["repair"] for one in repairs_again(books) if one.again}
    own = [row for row in books.repairs if books.asks(row, books.time(row["at"]))]
    found: dict[str, Table] = {"not-held": {}, "proved-wet": {}, "parts-good": {}}
    for crew in {row["crew"] for row in own}:
        mine = [row for row in own if row["crew"] == crew]
        told = {row["repair"] for row in mine if row["said_not_to_hold"] == "true"}
        wet = {row["repair"] for row in mine if row["soak_check"] == "failed"}
        here = {row["repair"] for row in mine} & again
        bad = told | wet | here
        found["not-held"][crew] = {
            "repairs": len(mine),
            "told": len(told),
            "wet": len(wet),
            "again": len(here),
            "not_held": len(bad),
            **share(len(bad), len(mine)),
        }
        states = [wet_state(row, q.until) for row in mine]
        due = sum(state != "not_due" for state in states)
        counts = {
            name: states.count(name) for name in ("held", "failed", "overdue", "dropped", "not_due")
        }
        found["proved-wet"][crew] = {
            "repairs": len(mine),
            "due": due,
            **counts,
            **share(counts["held"], due),
        }
    for key, column in (("splices-by-crew", "crew"), ("splices-by-kind", "kind")):
        found[key] = {}
        for group in {row[column] for row in own}:
            made = [int(row["splices_made"]) for row in own if row[column] == group]
            found[key][group] = {
                "repairs": len(made),
                "with_splices": sum(one > 0 for one in made),
                "splices": sum(made),
                "mean": sum(made) / len(made),
                "most": max(made),
            }
    parts = [row for row in books.parts if books.asks(row, books.time(row["removed_at"]))]
    for what in {row["what"] for row in parts}:
        bench = [row["bench"] for row in parts if row["what"] == what]
        tested = len(bench) - bench.count("not-tested")
        found["parts-good"][what] = {
            "removed": len(bench),
            "tested": tested,
            "faulty": bench.count("faulty"),
            "sound": bench.count("sound"),
            **share(bench.count("sound"), tested),
        }
    return found


def wet_state(row: Row, until: float) -> str:
    if row["soak_check"] == "failed":
        return "failed"
    if row["soak_check"] == "held" or row["passed_wet_test"] == "true":
        return "held"
    if row["soak_check"] == "dropped":
        return "dropped"
    over = days(row["soak_check_over_at"])
    return "overdue" if over is not None and over < until else "not_due"


# ---------------------------------------------------------------- closings


def closed_calls(books: Books) -> list[dict[str, Any]]:
    """Each closed call that is asked about, with what came after and the chance of it."""
    q = books.question
    opened = [row for row in books.calls if row["cancelled"] == "false"]
    opened = [row for row in opened if books.time(row["opened_at"]) < q.until]
    bad = {
        row["call"]
        for row in books.repairs
        if row["said_not_to_hold"] == "true" or row["soak_check"] == "failed"
    }
    found = []
    for row in books.calls:
        closed = days(row["closed_at"])
        if closed is None or row["cancelled"] == "true" or not books.asks(row, closed):
            continue
        last = min(closed + q.window, q.until)
        paths = row["paths"].split()
        later = [
            (books.time(other["opened_at"]), other["call"])
            for other in opened
            if other["call"] != row["call"]
            and set(other["paths"].split()) & set(paths)
            and closed < books.time(other["opened_at"]) <= last
        ]
        reopened = days(row["reopened_at"])
        if reopened is not None and reopened <= last:
            later.append((reopened, row["call"]))
        awaited = 0.0
        for ground in books.ground:
            if ground["path"] in paths:
                start, stop = books.span(ground)
                ages = spent(day(ground["made_on"]), max(start, closed), min(stop, last))
                for age, much in ages.items():
                    awaited += much * float(ground["amount"]) * books.rate(ground["kind"], age)
        back = min(later)[1] if later else ""
        whole = closed + q.window <= q.until
        end = how_it_ended(row)
        lost = end != "proved" or row["tested"] != "true" or bool(back) or row["call"] in bad
        found.append(
            {
                "row": row,
                "end": end,
                "back": back,
                "whole": whole,
                "chance": 1 - math.exp(-awaited * books.calls_each),
                "held": whole and not lost,
            }
        )
    return found


def how_it_ended(row: Row) -> str:
    if row["proof"]:
        return "proved"
    return "no-fault" if row["outcome"] == "not-present" else "unproved"


def closings(books: Books) -> dict[str, Table]:
    """Closings by crew; no fault found and what came after."""
    every = closed_calls(books)
    table: Table = {}
    crews = sorted({one["row"]["crew"] for one in every})
    for crew in crews:
        own = [one for one in every if one["row"]["crew"] == crew]
        whole = sum(one["whole"] for one in own)
        held = sum(one["held"] for one in own)
        table[crew] = {
            "closed": len(own),
            "unproved": sum(one["end"] == "unproved" for one in own),
            "stopped": sum(one["row"]["stopped_early"] == "true" for one in own),
            "untested": sum(one["row"]["tested"] != "true" for one in own),
            "back": sum(bool(one["back"]) for one in own),
            "back_proved": sum(bool(one["back"]) and one["end"] == "proved" for one in own),
            "back_else": sum(bool(one["back"]) and one["end"] != "proved" for one in own),
            **against_chance([bool(one["back"]) for one in own], [one["chance"] for one in own]),
            "followed": whole,
            "held": held,
            **share(held, whole),
        }
    if crews:
        p_values = [table[crew]["p_value"] for crew in crews]
        for crew, adjusted in zip(crews, stats.false_discovery_control(p_values), strict=True):
            table[crew]["adjusted"] = float(adjusted)
    return {"closings": table, "no-fault-found": nothing_found(books, every)}


def nothing_found(books: Books, every: list[dict[str, Any]]) -> Table:
    own = [one for one in every if one["end"] == "no-fault"]
    if not own:
        return {}
    calls = {row["call"]: row for row in books.calls}
    groups: dict[str, list[dict[str, Any]]] = {
        name: [] for name in ("proved", "unproved", "no-fault", "open", "quiet", "early")
    }
    for one in own:
        if not one["back"]:
            groups["quiet" if one["whole"] else "early"].append(one)
            continue
        after = calls[one["back"]]
        closed = days(after["closed_at"])
        is_open = closed is None or closed >= books.question.until or after is one["row"]
        groups["open" if is_open else how_it_ended(after)].append(one)
    return {
        name: {
            "closed": len(rows),
            "next": len({one["back"] for one in rows if one["back"]}),
            "awaited": math.fsum(one["chance"] for one in rows),
            **share(len(rows), len(own)),
        }
        for name, rows in groups.items()
    }


# ---------------------------------------------------------------- in the course of time


def in_time(books: Books) -> dict[str, Table]:
    """Trend tests by property; mean failures of a path by days watched."""
    q = books.question
    start: dict[str, float] = {}
    place_of: dict[str, str] = {}
    for row in books.ground:
        place_of[row["path"]] = row["property"]
        if not q.place or row["property"] == q.place:
            first = books.time(row["from_at"])
            start[row["path"]] = min(first, start.get(row["path"], first))
    begun = -math.inf if q.start is None else q.start
    start = {path: max(at, begun) for path, at in start.items() if max(at, begun) < q.until}
    seen = [
        (row, books.time(row["at"]))
        for row in books.failures
        if books.asks(row, books.time(row["at"]))
        and row["path"] in start
        and books.time(row["at"]) > start[row["path"]]
    ]
    trend: Table = {}
    for place in {place_of[path] for path in start}:
        first = min(at for path, at in start.items() if place_of[path] == place)
        ages = [at - first for row, at in seen if row["property"] == place]
        trend[place] = {
            "failures": len(ages),
            "days": q.until - first,
            **tests(ages, q.until - first),
        }
    ages_of = {
        path: sorted(at - start[path] for row, at in seen if row["path"] == path) for path in start
    }
    return {
        "trend": trend,
        "mean-failures": mean(ages_of, {p: q.until - a for p, a in start.items()}),
    }


def tests(ages: list[float], end: float) -> dict[str, Any]:
    n = len(ages)
    if n == 0:
        return {"laplace": None, "worsening": None, "improving": None}
    chi2 = 2 * math.fsum(math.log(end / age) for age in ages)
    return {
        "laplace": (math.fsum(ages) - n * end / 2) / (end * math.sqrt(n / 12)),
        "worsening": float(stats.chi2.cdf(chi2, 2 * n)),
        "improving": float(stats.chi2.sf(chi2, 2 * n)),
    }


def mean(ages_of: dict[str, list[float]], end: dict[str, float]) -> Table:
    """Lawless and Nadeau's, by the definition: over units the square of the sum of deviations."""
    every = sorted({age for ages in ages_of.values() for age in ages})
    z = stats.norm.ppf(0.975)
    table: Table = {}
    total = 0.0
    off = dict.fromkeys(ages_of, 0.0)
    for age in every:
        risk = [path for path in ages_of if end[path] >= age]
        failed = {path: ages_of[path].count(age) for path in risk}
        step = sum(failed.values()) / len(risk)
        total += step
        for path in risk:
            off[path] += (failed[path] - step) / len(risk)
        spread = math.exp(z * math.sqrt(math.fsum(one**2 for one in off.values())) / total)
        table[f"{age:.6f}"] = {
            "failures": sum(failed.values()),
            "days": age,
            "at_risk": len(risk),
            "mean": total,
            "mean_low": total / spread,
            "mean_high": total * spread,
        }
    return table


def recomputed(tables: dict[str, str], question: Question) -> dict[str, Table]:
    """Every figure of the audit, by its key."""
    books = Books(tables, question)
    return {
        **closings(books),
        **holding(books),
        "by-place": places(books),
        **repeats(books),
        **in_time(books),
    }
