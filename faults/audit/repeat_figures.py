"""Repeat failures by place, splice kind, device kind, conductor, age, crew and property."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from faults.audit.again import Again, SpotsOnPath
from faults.audit.figure import Cell, Column, Figure, Row, Tally, rate_cells, row_of
from faults.audit.ground import BANDS, YEAR_DAYS, band_of, band_spans, stop_of
from faults.audit.records import (
    DEVICE,
    NOT_TOLD,
    SEGMENT,
    SPLICE,
    Asked,
    Failure,
    Ground,
    PathMap,
    Records,
    Repair,
)
from faults.recurrence.callbacks import call_backs

_AGAIN = (
    Column("repairs", "Repairs"),
    Column("again", "Failed again"),
    Column("expected", "Expected", "number"),
    Column("ratio", "Seen / expected", "number"),
    Column("p_value", "Chance of so many", "number"),
)
_RATE = (
    Column("exposure", "Exposure", "number"),
    Column("rate", "Failures for each", "number"),
    Column("rate_low", "95 % from", "number"),
    Column("rate_high", "to", "number"),
)
_FAILURES = Column("failures", "Proved failures")


@dataclass(frozen=True, slots=True)
class _Split:
    """One way to group: of a failure and of what it lies in; None: it is in no group."""

    key: str
    title: str
    of: str
    unit: str
    of_failure: Callable[[Failure], str | None]
    of_repair: Callable[[Repair], str | None]
    of_ground: Callable[[Ground, float, float], Iterable[tuple[str, float]]] | None = None


def repeat_figures(records: Records, asked: Asked, again: tuple[Again, ...]) -> list[Figure]:
    """One figure for each way to group, and the places that failed more than once."""
    return [
        repeated_places(records, asked, again),
        *(_figure(split, records, asked, again) for split in _splits()),
    ]


def _splits() -> Iterable[_Split]:
    for key, kind, of, unit in (
        ("by-splice-kind", SPLICE, "connector", "splice-year"),
        ("by-device-kind", DEVICE, "kind of device", "device-year"),
        ("by-conductor", SEGMENT, "conductor", "kilometre-year"),
    ):
        yield _by_sort(key, kind, of, unit)
    for kind, word, unit in (
        (SPLICE, "splices", "splice-year"),
        (DEVICE, "devices", "device-year"),
        (SEGMENT, "cable", "kilometre-year"),
    ):
        yield _by_age(kind, word, unit)
    yield _Split(
        "by-crew",
        "Repeat failures by crew",
        "crew",
        "",
        lambda one: one.crew,
        lambda one: one.crew,
    )
    yield _Split(
        "by-property",
        "Repeat failures by property",
        "property",
        "splice-year",
        lambda one: one.property,
        lambda one: one.property,
        lambda row, start, stop: [(row.property, stop - start)] if row.facts.kind == SPLICE else [],
    )


def _by_sort(key: str, kind: str, of: str, unit: str) -> _Split:
    def sort(place_kind: str, name: str) -> str | None:
        return (name or NOT_TOLD) if place_kind == kind else None

    return _Split(
        key,
        f"Repeat failures by {of}",
        of,
        unit,
        lambda one: sort(one.place.facts.kind, one.place.facts.sort),
        lambda one: sort(one.place.facts.kind, one.place.facts.sort) if one.place else None,
        lambda row, start, stop: (
            [(row.facts.sort or NOT_TOLD, stop - start)] if row.facts.kind == kind else []
        ),
    )


def _by_age(kind: str, word: str, unit: str) -> _Split:
    return _Split(
        f"by-age-of-{word}",
        f"Repeat failures by age of {word}",
        "age",
        unit,
        lambda one: band_of(one.place.facts.made, one.at) if one.place.facts.kind == kind else None,
        lambda one: (
            band_of(one.place.facts.made, one.at)
            if one.place and one.place.facts.kind == kind
            else None
        ),
        lambda row, start, stop: (
            band_spans(row.facts.made, start, stop) if row.facts.kind == kind else []
        ),
    )


def _figure(split: _Split, records: Records, asked: Asked, again: tuple[Again, ...]) -> Figure:
    tallies: dict[str, Tally] = {}
    mended = _counted(split, records, asked, again, tallies)
    _exposed(split, records, asked, tallies)
    against = _against_chance(mended)
    # A crew has no ground of its own, so its failures are of no exposure.
    rated = split.of_ground is not None and not asked.crew
    rows = []
    for group, one_tally in sorted(tallies.items(), key=_in_order):
        more: dict[str, Cell] = dict(against.get(group, _NOTHING_AWAITED))
        if rated:
            exposure = one_tally.sums.get("exposure", 0.0)
            more |= {"exposure": exposure, **rate_cells(one_tally.count("failures"), exposure)}
        rows.append(row_of(group, one_tally, ("failures", "repairs", "again"), more))
    per = f" Exposure and rates are in {split.unit}s." if rated else ""
    return Figure(
        key=split.key,
        title=split.title,
        of=split.of,
        says=(
            f"Proved failures, repairs at such places, and repairs after which the same place"
            f" ({asked.rule.words}) failed again within {asked.window:g} days,"
            f" beside what age and splices let expect.{per}"
        ),
        columns=(_FAILURES, *(_RATE if rated else ()), *_AGAIN),
        rows=tuple(rows),
    )


def _in_order(item: tuple[str, Tally]) -> tuple[int, str, str]:
    """Age bands from young to old, all else by what it is called."""
    group, tally = item
    return BANDS.index(group) if group in BANDS else len(BANDS), tally.label, group


def _counted(
    split: _Split,
    records: Records,
    asked: Asked,
    again: tuple[Again, ...],
    tallies: dict[str, Tally],
) -> list[tuple[str, Again]]:
    """Failures and repairs into their groups; the repairs with the group of each."""
    for failure in records.failures:
        group = split.of_failure(failure)
        if group is not None and asked.has(failure, failure.at):
            tallies.setdefault(group, Tally(records.name(group))).put("failures", failure.id)
    mended: list[tuple[str, Again]] = []
    for one in again:
        group = split.of_repair(one.repair)
        if group is not None and asked.has(one.repair, one.repair.at):
            mended.append((group, one))
            tally = tallies.setdefault(group, Tally(records.name(group)))
            tally.put("repairs", one.repair.id)
            if one.failure:
                tally.put("again", one.repair.id)
    return mended


def _exposed(split: _Split, records: Records, asked: Asked, tallies: dict[str, Tally]) -> None:
    """Exposure of the groups within the audit, in the unit of the figure."""
    if split.of_ground is None:
        return
    for row in records.ground:
        if asked.property not in ("", row.property):
            continue
        start = row.start if asked.start is None else max(row.start, asked.start)
        stop = stop_of(row, asked.until)
        if stop <= start:
            continue
        for group, days in split.of_ground(row, start, stop):
            amount = row.facts.amount * days / YEAR_DAYS / _per(row.facts.kind)
            tallies.setdefault(group, Tally(records.name(group))).add("exposure", amount)


_NOTHING_AWAITED: dict[str, Cell] = {"expected": 0.0, "ratio": None, "p_value": None}


def _per(kind: str) -> float:
    """Cable is told by the kilometre."""
    return 1000.0 if kind == SEGMENT else 1.0


def _against_chance(mended: list[tuple[str, Again]]) -> dict[str, dict[str, Cell]]:
    """For each group: repeats expected, seen over expected, and the chance of so many or more."""
    if not mended:
        return {}
    groups = sorted({group for group, _ in mended})
    number = {group: place for place, group in enumerate(groups)}
    counted = call_backs(
        [bool(one.failure) for _, one in mended],
        [one.chance for _, one in mended],
        [number[group] for group, _ in mended],
    )
    return {
        group: {
            "expected": float(counted.expected[place]),
            "ratio": float(counted.ratio[place]) if counted.expected[place] > 0.0 else None,
            "p_value": float(counted.p_value[place]),
        }
        for group, place in number.items()
    }


def repeated_places(records: Records, asked: Asked, again: tuple[Again, ...]) -> Figure:
    """Places that failed more than once within the audit, same places taken together."""
    here = [one for one in records.failures if asked.has(one, one.at)]
    rows = []
    for path, together in stretches(records, asked, here):
        ids = {failure.id for failure in together}
        places = sorted({place_label(one) for one in together})
        tally = Tally(f"{records.name(path)}: {', '.join(places)}")
        for failure in together:
            tally.put("failures", failure.id)
        mine = [one for one in again if one.failure in ids and _asks(asked, one)]
        for one in mine:
            tally.put("again", one.repair.id)
        at = sorted(one.at for one in together)
        more: dict[str, Cell] = {
            "days": at[-1] - at[0],
            "property": records.name(together[0].property),
        }
        rows.append(row_of(f"{path} {together[0].id}", tally, ("failures", "again"), more))
    rows.sort(key=lambda row: (-int(row.cells["failures"] or 0), row.key))
    return Figure(
        key="by-place",
        title="Repeat failures by place",
        of="place",
        says=(
            f"Places with more than one proved failure; what is the same place"
            f" ({asked.rule.words}), one hop after another, is one row."
        ),
        columns=(
            Column("property", "Property", "text"),
            _FAILURES,
            Column("again", "Repairs that failed again"),
            Column("days", "Days from first to last", "number"),
        ),
        rows=tuple(rows),
    )


def stretches(
    records: Records, asked: Asked, failures: list[Failure]
) -> list[tuple[str, list[Failure]]]:
    """Failures at the same place, one hop after another, where there are at least two."""
    by_path: dict[str, list[Failure]] = defaultdict(list)
    for failure in failures:
        by_path[failure.place.path].append(failure)
    found = []
    for path, own in by_path.items():
        spots = SpotsOnPath(
            records.maps.get(path, PathMap()), asked.rule, [one.place for one in own]
        )
        left = list(range(len(own)))
        while left:
            group, rim = [], [left.pop(0)]
            while rim:
                one = rim.pop()
                group.append(one)
                near = [other for other in left if spots.same(one, other)]
                left = [other for other in left if other not in near]
                rim += near
            if len(group) > 1:
                found.append((path, sorted((own[n] for n in group), key=lambda f: (f.at, f.id))))
    return found


def place_label(failure: Failure) -> str:
    """A place in few words."""
    place = failure.place
    word = {SPLICE: "splice at", SEGMENT: "cable run", DEVICE: "device"}.get(place.facts.kind, "")
    return f"{word or place.facts.kind} {place.code}".strip()


def _asks(asked: Asked, one: Again) -> bool:
    return asked.has(one.repair, one.repair.at)


__all__ = ["Row", "place_label", "repeat_figures", "repeated_places", "stretches"]
