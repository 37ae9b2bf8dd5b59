"""Closings without proof and early stops beside call-backs; no fault found and what came after."""

from __future__ import annotations

import numpy as np

from faults.audit.closures import NO_FAULT, PROVED, UNPROVED, Closure, end_of
from faults.audit.figure import Cell, Column, Figure, Tally, row_of, share_cells, share_columns
from faults.audit.records import Asked, Records
from faults.recurrence.callbacks import CallBacks, call_backs

_CLOSINGS = (
    Column("closed", "Closed"),
    Column("unproved", "Without proof"),
    Column("stopped", "Stopped early"),
    Column("untested", "Not tested"),
    Column("back", "Called back"),
    Column("back_proved", "Back after proof"),
    Column("back_else", "Back, others"),
    Column("expected", "Expected", "number"),
    Column("ratio", "Seen / expected", "number"),
    Column("p_value", "Chance of so many", "number"),
    Column("adjusted", "Over all crews", "number"),
    Column("followed", "Followed up"),
    Column("held", "Proved and held"),
    *share_columns("share", "Share held"),
)


def closings_by_crew(found: tuple[Closure, ...], asked: Asked) -> Figure:
    """How calls were closed by each crew, and how often they came back."""
    tallies = _closings(found)
    against = crews_against_chance(found)
    counted = (
        *("closed", "unproved", "stopped", "untested", "back", "back_proved", "back_else"),
        *("followed", "held"),
    )
    rows = []
    for crew, tally in sorted(tallies.items()):
        place = against[0].index(crew)
        expected = float(against[1].expected[place])
        more: dict[str, Cell] = {
            "expected": expected,
            "ratio": float(against[1].ratio[place]) if expected > 0.0 else None,
            "p_value": float(against[1].p_value[place]),
            "adjusted": float(against[1].adjusted[place]),
            **share_cells("share", tally.count("held"), tally.count("followed")),
        }
        rows.append(row_of(crew, tally, counted, more))
    return Figure(
        key="closings",
        title="Unproved closings and early stops beside call-backs",
        of="crew",
        says=(
            f"A call-back is any call on the same path within {asked.window:g} days of the"
            " closing, whatever it was. Expected: by age and splices of the paths, proved or not."
            " Held: proved, tested, not called back and not said to have failed; a closing without"
            " proof is never held. Followed up: the whole window has passed."
        ),
        columns=_CLOSINGS,
        rows=tuple(rows),
    )


def _closings(found: tuple[Closure, ...]) -> dict[str, Tally]:
    tallies: dict[str, Tally] = {}
    for one in found:
        crew = one.case.crew
        tally = tallies.setdefault(crew, Tally(crew))
        tally.put("closed", one.case.id)
        if one.end == UNPROVED:
            tally.put("unproved", one.case.id)
        if one.case.stopped:
            tally.put("stopped", one.case.id)
        if not one.case.tested:
            tally.put("untested", one.case.id)
        if one.called_back:
            tally.put("back", one.case.id)
            tally.put("back_proved" if one.end == PROVED else "back_else", one.case.id)
        if one.held is not None:
            tally.put("followed", one.case.id)
        if one.held:
            tally.put("held", one.case.id)
    return tallies


def crews_against_chance(found: tuple[Closure, ...]) -> tuple[list[str], CallBacks]:
    """Call-backs of each crew against what age and splices let expect."""
    crews = sorted({one.case.crew for one in found})
    counted = call_backs(
        [bool(one.called_back) for one in found],
        [one.chance for one in found],
        np.array([crews.index(one.case.crew) for one in found], dtype=np.int64),
    )
    return crews, counted


AFTER = (
    ("proved", "called back, then proved"),
    ("unproved", "called back, closed without proof"),
    ("no-fault", "called back, again no fault found"),
    ("open", "called back, still open"),
    ("quiet", "nothing came within the window"),
    ("early", "nothing came yet, the window runs"),
)


def no_fault_found(records: Records, found: tuple[Closure, ...], asked: Asked) -> Figure:
    """Calls closed with no fault found, by what came after."""
    cases = {case.id: case for case in records.cases}
    tallies = {key: Tally(label) for key, label in AFTER}
    expected = dict.fromkeys(tallies, 0.0)
    total = 0
    for one in found:
        if one.end != NO_FAULT:
            continue
        total += 1
        if not one.called_back:
            key = "quiet" if one.whole else "early"
        else:
            after = cases[one.called_back]
            ended = after.closed is not None and after.closed < asked.until
            is_itself = after.id == one.case.id
            key = "open" if is_itself or not ended else _AFTER_END[end_of(after)]
            tallies[key].put("next", after.id)
        tallies[key].put("closed", one.case.id)
        expected[key] += one.chance
    rows = []
    for key, tally in tallies.items():
        more: dict[str, Cell] = {
            "expected": expected[key],
            **share_cells("share", tally.count("closed"), total),
        }
        rows.append(row_of(key, tally, ("closed", "next"), more))
    return Figure(
        key="no-fault-found",
        title="No fault found, and what came after",
        of="what came after",
        says=(
            "Calls closed as not present, by the next call on the same path within"
            f" {asked.window:g} days; and how many call-backs chance lets expect."
        ),
        columns=(
            Column("closed", "Calls"),
            Column("next", "Next calls"),
            Column("expected", "Call-backs expected", "number"),
            *share_columns("share", "Share"),
        ),
        rows=tuple(rows) if total else (),
    )


_AFTER_END = {PROVED: "proved", UNPROVED: "unproved", NO_FAULT: "no-fault"}
