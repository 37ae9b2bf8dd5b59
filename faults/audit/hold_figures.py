"""Whether repairs held: told, seen again, wet; parts found good; splices made."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from faults.audit.again import Again
from faults.audit.figure import Cell, Column, Figure, Row, Tally, row_of, share_cells, share_columns
from faults.audit.records import NOT_TOLD, Asked, Part, Records, Repair


def not_held(records: Records, asked: Asked, again: tuple[Again, ...]) -> Figure:
    """Repairs that did not hold, by crew."""
    came_again = {one.repair.id for one in again if one.failure}
    tested = {case.id for case in records.cases if case.tested}
    tallies: dict[str, Tally] = {}
    for repair in _asked(records, asked):
        tally = tallies.setdefault(repair.crew, Tally(repair.crew))
        tally.put("repairs", repair.id)
        if repair.case not in tested:
            tally.put("untested", repair.id)
        ways = {
            "told": repair.told_failed,
            "wet": repair.soak == "failed",
            "again": repair.id in came_again,
        }
        for way, failed in ways.items():
            if failed:
                tally.put(way, repair.id)
                tally.put("not_held", repair.id)
    counted = ("repairs", "untested", "told", "wet", "again", "not_held")
    return Figure(
        key="not-held",
        title="Repairs that did not hold",
        of="crew",
        says=(
            "A repair did not hold where somebody said so, its look when wet failed, or the same"
            f" place ({asked.rule.words}) failed again within {asked.window:g} days."
        ),
        columns=(
            Column("repairs", "Repairs"),
            Column("untested", "No passed return test"),
            Column("told", "Said not to hold"),
            Column("wet", "Failed when wet"),
            Column("again", "Failed again there"),
            Column("not_held", "Did not hold"),
            *share_columns("share", "Share"),
        ),
        rows=_with_share(tallies, counted, "not_held", "repairs"),
    )


def proved_wet(records: Records, asked: Asked) -> Figure:
    """Repairs shown to hold when wet, by crew."""
    tallies: dict[str, Tally] = {}
    for repair in _asked(records, asked):
        tally = tallies.setdefault(repair.crew, Tally(repair.crew))
        tally.put("repairs", repair.id)
        state = _wet_state(repair, asked.until)
        tally.put(state, repair.id)
        if state != "not_due":
            tally.put("due", repair.id)
    counted = ("repairs", "due", "held", "failed", "overdue", "dropped", "not_due")
    return Figure(
        key="proved-wet",
        title="Repairs proved wet",
        of="crew",
        says=(
            "Proved wet: the look when wet held, or a return test after the repair passed when"
            " wet. Of those that are due: done, dropped, or past their last day."
        ),
        columns=(
            Column("repairs", "Repairs"),
            Column("due", "Due"),
            Column("held", "Proved wet"),
            Column("failed", "Failed when wet"),
            Column("overdue", "Overdue"),
            Column("dropped", "Look dropped"),
            Column("not_due", "Not due yet"),
            *share_columns("share", "Proved wet of due"),
        ),
        rows=_with_share(tallies, counted, "held", "due"),
    )


def _wet_state(repair: Repair, until: float) -> str:
    if repair.soak == "failed":
        return "failed"
    if repair.soak == "held" or repair.wet_test:
        return "held"
    if repair.soak == "dropped":
        return "dropped"
    return "overdue" if repair.soak_due is not None and repair.soak_due < until else "not_due"


def parts_found_good(records: Records, asked: Asked) -> Figure:
    """Parts replaced and later found good on the bench, by what they are."""
    tallies: dict[str, Tally] = {}
    for part in records.parts:
        if asked.has(part, part.at):
            tally = tallies.setdefault(part.what, Tally(part.what))
            tally.put("removed", part.id)
            if part.bench != "not-tested":
                tally.put("tested", part.id)
                tally.put(_bench(part), part.id)
    return Figure(
        key="parts-good",
        title="Parts replaced and later found good",
        of="part",
        says=(
            "Removed parts, those tested on the bench, and those found sound there: sound parts"
            " were replaced for nothing, and what was wrong may still be in the ground."
        ),
        columns=(
            Column("removed", "Removed"),
            Column("tested", "Tested on the bench"),
            Column("faulty", "Faulty"),
            Column("sound", "Found good"),
            *share_columns("share", "Good of tested"),
        ),
        rows=_with_share(tallies, ("removed", "tested", "faulty", "sound"), "sound", "tested"),
    )


def _bench(part: Part) -> str:
    return "sound" if part.bench == "sound" else "faulty"


def splices_by_crew(records: Records, asked: Asked) -> Figure:
    """Splices made for each repair, by crew."""
    return _splices(records, asked, "splices-by-crew", "crew", lambda one: one.crew)


def splices_by_kind(records: Records, asked: Asked) -> Figure:
    """Splices made for each repair, by kind of repair."""
    return _splices(records, asked, "splices-by-kind", "kind of repair", lambda one: one.kind)


def _splices(
    records: Records, asked: Asked, key: str, of: str, group_of: Callable[[Repair], str]
) -> Figure:
    tallies: dict[str, Tally] = {}
    most: dict[str, int] = {}
    for repair in _asked(records, asked):
        group = group_of(repair) or NOT_TOLD
        tally = tallies.setdefault(group, Tally(group))
        tally.put("repairs", repair.id)
        tally.add("splices", repair.splices)
        most[group] = max(most.get(group, 0), repair.splices)
        if repair.splices > 0:
            tally.put("with_splices", repair.id)
    rows = []
    for group, tally in sorted(tallies.items()):
        splices, repairs = round(tally.sums["splices"]), tally.count("repairs")
        more: dict[str, Cell] = {
            "splices": splices,
            "mean": splices / repairs,
            "most": most[group],
        }
        rows.append(row_of(group, tally, ("repairs", "with_splices"), more))
    return Figure(
        key=key,
        title=f"Splices made for each repair, by {of}",
        of=of,
        says="Each splice made is one more place that can fail: fewer for the same work is better.",
        columns=(
            Column("repairs", "Repairs"),
            Column("with_splices", "With splices"),
            Column("splices", "Splices made"),
            Column("mean", "For each repair", "number"),
            Column("most", "Most in one"),
        ),
        rows=tuple(rows),
    )


def _asked(records: Records, asked: Asked) -> list[Repair]:
    return [one for one in records.repairs if asked.has(one, one.at)]


def _with_share(
    tallies: dict[str, Tally], counted: Sequence[str], part: str, whole: str
) -> tuple[Row, ...]:
    """Rows with their counts, and one of these as a share of another."""
    return tuple(
        row_of(key, tally, counted, share_cells("share", tally.count(part), tally.count(whole)))
        for key, tally in sorted(tallies.items())
    )
