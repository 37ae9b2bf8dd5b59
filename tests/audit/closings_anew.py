"""Closings and the course of time worked out anew, for ``recompute``."""

from __future__ import annotations

import math
from typing import Any

from scipy import stats

from tests.audit.books import (
    Books,
    Row,
    Table,
    against_chance,
    day,
    days,
    share,
    spent,
)

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
        expected = 0.0
        for ground in books.ground:
            if ground["path"] in paths:
                start, stop = books.span(ground)
                ages = spent(day(ground["made_on"]), max(start, closed), min(stop, last))
                for age, much in ages.items():
                    expected += much * float(ground["amount"]) * books.rate(ground["kind"], age)
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
                "chance": 1 - math.exp(-expected * books.calls_each),
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
            "expected": math.fsum(one["chance"] for one in rows),
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
