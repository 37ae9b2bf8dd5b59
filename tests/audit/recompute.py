"""The figures of an audit worked out anew from its raw rows as CSV.

Written from docs/algorithms/audit.md alone; it shares no code with the product. Other ways are
gone wherever there are two: limits by scipy's distributions, the cumulative mean by its definition
in full, distances by a walk over a plain graph.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from typing import Any

from scipy import stats

from tests.audit.books import (
    YEAR,
    After,
    Books,
    Ground,
    Question,
    Row,
    Table,
    against_chance,
    band,
    day,
    days,
    is_same,
    repairs_again,
    share,
    spent,
)
from tests.audit.closings_anew import closings, in_time

__all__ = ["Question", "Table", "recomputed"]

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
    tested = {row["call"] for row in books.calls if row["tested"] == "true"}
    found: dict[str, Table] = {"not-held": {}, "proved-wet": {}, "parts-good": {}}
    for crew in {row["crew"] for row in own}:
        mine = [row for row in own if row["crew"] == crew]
        told = {row["repair"] for row in mine if row["said_not_to_hold"] == "true"}
        wet = {row["repair"] for row in mine if row["soak_check"] == "failed"}
        here = {row["repair"] for row in mine} & again
        bad = told | wet | here
        found["not-held"][crew] = {
            "repairs": len(mine),
            "untested": sum(row["call"] not in tested for row in mine),
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


def recomputed(tables: dict[str, str], question: Question) -> dict[str, Table]:
    """Every figure of the audit, by its key."""
    books = Books(tables, question)
    found = {
        **closings(books),
        **holding(books),
        "by-place": places(books),
        "trouble-flags": flags(books),
        **repeats(books),
        **in_time(books),
    }
    for key in ("not-held", "by-crew"):
        beside(found[key], found["closings"], NOTHING[key])
    return found


def flags(books: Books) -> Table:
    """Flags that stood within the time asked for; limits of a Poisson count by chi-square."""
    q = books.question
    found: Table = {}
    for row in books.flags:
        cleared = days(row["cleared_at"])
        if q.crew or (q.place and row["property"] != q.place):
            continue
        if books.time(row["raised_at"]) >= q.until:
            continue
        if cleared is not None and q.start is not None and cleared < q.start:
            continue
        count, expected = int(row["failures"]), float(row["expected"])
        assert len(row["findings"].split()) in (0, count)
        low = float(stats.chi2.ppf(0.025, 2 * count)) / 2.0 if count else 0.0
        found[row["flag"]] = {
            "state": row["state"],
            "failures": count,
            "expected": expected,
            "ratio_low": low / expected,
            "ratio_high": float(stats.chi2.ppf(0.975, 2 * count + 2)) / 2.0 / expected,
            "p": float(row["p"]),
            "q": float(row["q"]),
        }
    return found


NOTHING: dict[str, dict[str, Any]] = {
    "not-held": {
        **dict.fromkeys(("repairs", "untested", "told", "wet", "again", "not_held"), 0),
        **dict.fromkeys(("share", "share_low", "share_high")),
    },
    "by-crew": {
        **dict.fromkeys(("failures", "repairs", "again"), 0),
        **dict.fromkeys(("expected", "ratio", "p_value")),
    },
}
BESIDE = (
    *("closed", "unproved", "stopped", "untested", "back", "expected", "ratio", "held"),
    *("share", "share_low", "share_high"),
)


def beside(table: Table, closed: Table, nothing: dict[str, Any]) -> None:
    """All of a crew's closings beside what is counted of its repairs."""
    for crew in {*table, *closed}:
        own = closed.get(crew, {})
        table[crew] = {
            **table.get(crew, nothing),
            **{f"calls_{name}": own.get(name) for name in BESIDE},
        }
