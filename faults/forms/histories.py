"""The form ``clampline-histories/1``: places, their watch, what failed there, and what to ask."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from faults.forms.schema_files import form_defects
from faults.recurrence.exposure import EnergisedClock, Spans
from faults.recurrence.history import DEVICE, SEGMENT, SPLICE, Failure, History, Place, Questions
from faults.recurrence.lineage import Became
from faults.recurrence.renewal import Costs
from faults.recurrence.same_place import SamePlace
from sites.forms.defects import Defect, pointer_to, refuse_if_any, shown
from sites.forms.rows import ids_in, member, numbered_rows, text_in

HISTORIES_FORMAT = "clampline-histories/1"

Document = dict[str, Any]

_ROUND = 1e-9


def read_histories(document: Document) -> tuple[History, Questions]:
    """The history and the questions that a document describes.

    Raises FormDefects with every defect of the document.
    """
    refuse_if_any(histories_defects(document))
    number = {row["id"]: place for place, row in enumerate(document["places"])}
    levels = tuple(document.get("levels", ()))
    path_level = document.get("path_level")
    history = History(
        places=tuple(_read_place(document, row, number) for row in document["places"]),
        failures=tuple(
            Failure(
                place=number[row["place"]],
                at=float(row["at"]),
                fraction=None if "fraction" not in row else float(row["fraction"]),
                crew=row.get("crew"),
                renewed=row.get("renewed", False),
            )
            for row in document["failures"]
        ),
        levels=levels,
        path_level=None if path_level is None else levels.index(path_level),
        wet=Spans.of(document.get("wet", [])),
        storm=Spans.of(document.get("storm", [])),
        became=tuple(
            Became(
                number[row["old"]],
                tuple(number[new["place"]] for new in row["new"]),
                tuple(float(new["share"]) for new in row["new"]),
            )
            for row in document.get("lineage", [])
        ),
        time_unit=document.get("time_unit", "days"),
    )
    return history, _read_questions(document.get("questions", {}))


def _read_place(document: Document, row: Document, number: dict[str, int]) -> Place:
    low, high = row["watched"] if "watched" in row else document["watched"]
    amount = row["length_m"] if "length_m" in row else row.get("count", 1.0)
    return Place(
        name=row["id"],
        kind=row["kind"],
        amount=float(amount),
        watched=(float(low), float(high)),
        off=Spans.of([*document.get("off", []), *row.get("off", [])]),
        peers=row["peers"] if "peers" in row else row["kind"],
        levels=tuple(row.get("groups", ())),
        between=tuple(number[one] for one in row.get("between", ())),
        fitted=tuple(float(time) for time in row.get("fitted", ())),
        ends_with_failure=row.get("ends_with_failure", False),
    )


def _read_questions(row: Document) -> Questions:
    plain = {name: value for name, value in row.items() if name not in ("same_place", "costs")}
    if "same_place" in row:
        rule = row["same_place"]
        plain["rule"] = SamePlace(rule["rule"], float(rule.get("reach", 0.0)))
    if "costs" in row:
        plain["costs"] = Costs(float(row["costs"]["renewal"]), float(row["costs"]["failure"]))
    for name in ("draws", "seed"):
        if name in plain:
            plain[name] = int(plain[name])
    return Questions(**plain)


def histories_defects(document: object) -> list[Defect]:
    """All defects of histories."""
    defects = form_defects(document, "histories")
    if defects:
        return defects
    # From here on the shape is right, so that what is said about is there to be read.
    return [
        *_place_defects(document),
        *_reference_defects(document),
        *_span_defects(document),
        *_failure_defects(document),
        *_lineage_defects(document),
    ]


def _place_defects(document: object) -> Iterator[Defect]:
    """Ids are given once; groups are as many as levels; lengths and ends fit the kind."""
    levels = member(document, "levels") or []
    path_level = member(document, "path_level")
    if path_level is not None and path_level not in levels:
        right = f"one of {', '.join(levels)}" if levels else "name it in levels first"
        yield Defect("/path_level", f"{shown(path_level)} is not a level", right)
    first: dict[str, int] = {}
    for place, row in numbered_rows(document, "places"):
        here = pointer_to("places", place)
        one = str(row["id"])
        if one in first:
            what = f"{shown(one)} is given at /places/{first[one]} already"
            yield Defect(here + "/id", what, "an id of its own for each place")
        first.setdefault(one, place)
        if len(row.get("groups", ())) != len(levels):
            what = f"there are {len(row.get('groups', ()))} groups for {len(levels)} levels"
            yield Defect(here + "/groups", what, "one group for each of levels, in their order")
        if row["kind"] != SEGMENT and "length_m" in row:
            what = f"a {row['kind']} has no length"
            yield Defect(here + "/length_m", what, "leave length_m out, or give count")
        if row["kind"] == SEGMENT and "length_m" not in row:
            yield Defect(here + "/length_m", "length_m is missing", "give the segment's length")
        ends = {SEGMENT: 2, DEVICE: 1}.get(row["kind"], 0)
        if "between" in row and len(row["between"]) != ends:
            what = f"a {row['kind']} lies between {len(row['between'])} splices here"
            yield Defect(here + "/between", what, f"{ends} of them" if ends else "leave it out")


def _reference_defects(document: object) -> Iterator[Defect]:
    ids = ids_in(document, "places")
    splices = {row["id"] for _, row in numbered_rows(document, "places") if row["kind"] == SPLICE}
    for place, row in numbered_rows(document, "places"):
        for end, one in enumerate(row.get("between", ())):
            if one not in splices:
                what = f"{shown(one)} is not a splice of places"
                yield Defect(pointer_to("places", place, "between", end), what, "a splice's id")
    for place, row in numbered_rows(document, "failures"):
        if row["place"] not in ids:
            what = f"there is no place {shown(row['place'])}"
            yield Defect(pointer_to("failures", place, "place"), what, "the id of a place")
    for place, row in numbered_rows(document, "lineage"):
        names: list[tuple[tuple[str | int, ...], str]] = [(("old",), row["old"])]
        names += [(("new", at, "place"), new["place"]) for at, new in enumerate(row["new"])]
        for where, one in names:
            if one not in ids:
                what = f"there is no place {shown(one)}"
                yield Defect(pointer_to("lineage", place, *where), what, "the id of a place")


def _span_defects(document: object) -> Iterator[Defect]:
    """Spans go forwards."""
    spans: list[tuple[tuple[str | int, ...], list[float]]] = []
    spans.append((("watched",), member(document, "watched")))
    for name in ("off", "wet", "storm"):
        spans += [((name, at), one) for at, one in enumerate(member(document, name) or ())]
    for place, row in numbered_rows(document, "places"):
        if "watched" in row:
            spans.append((("places", place, "watched"), row["watched"]))
        spans += [(("places", place, "off", at), one) for at, one in enumerate(row.get("off", ()))]
    for where, (low, high) in spans:
        if not low < high:
            what = f"this span goes from {low:g} to {high:g}"
            yield Defect(pointer_to(*where), what, "[from, to] with from before to")


def _failure_defects(document: object) -> Iterator[Defect]:
    """A failure lies within its place's watch, after it was first energised."""
    rows = {row["id"]: row for _, row in numbered_rows(document, "places")}
    off = member(document, "off") or []
    for place, row in numbered_rows(document, "failures"):
        here, own = pointer_to("failures", place), rows.get(row["place"])
        if own is None:
            continue
        low, high = own.get("watched", member(document, "watched"))
        every = [pair for pair in [*off, *own.get("off", ())] if pair[0] <= pair[1]]
        if not low < row["at"] <= high:
            what = f"{row['at']:g} is outside the watch of {shown(row['place'])}"
            yield Defect(here + "/at", what, f"a time above {low:g}, at most {high:g}")
        elif EnergisedClock.of((low, high), Spans.of(every)).at([row["at"]])[0] <= 0.0:
            what = f"{shown(row['place'])} was not energised before {row['at']:g}"
            yield Defect(here + "/at", what, "a time after it was first energised")
        if "fraction" in row and own["kind"] != SEGMENT:
            what = f"a {own['kind']} has no fraction"
            yield Defect(here + "/fraction", what, "leave fraction out")


def _lineage_defects(document: object) -> Iterator[Defect]:
    """A place ends once, its shares make a whole, and nothing becomes itself."""
    following: dict[str, list[str]] = {}
    for place, row in numbered_rows(document, "lineage"):
        here = pointer_to("lineage", place)
        old = text_in(row, "old") or ""
        if old in following:
            yield Defect(here + "/old", f"{shown(old)} ended already", "one entry for each place")
        following[old] = [new["place"] for new in row["new"]]
        whole = sum(new["share"] for new in row["new"])
        if abs(whole - 1.0) > _ROUND:
            what = f"the shares sum to {whole:g}"
            yield Defect(here + "/new", what, "shares that sum to 1")
    state: dict[str, bool] = {}
    for place, row in numbered_rows(document, "lineage"):
        if _comes_back(row["old"], following, state):
            what = f"{shown(row['old'])} becomes itself"
            yield Defect(pointer_to("lineage", place, "new"), what, "places of later revisions")
            return


def _comes_back(start: str, following: dict[str, list[str]], done: dict[str, bool]) -> bool:
    """Whether a place is its own descendant; ``done`` holds what is known of others."""
    stack = [(start, iter(following.get(start, ())))]
    on_way = {start}
    while stack:
        one, rest = stack[-1]
        new = next(rest, None)
        if new is None:
            on_way.discard(one)
            done[one] = False
            stack.pop()
        elif new in on_way:
            return True
        elif new in following and new not in done:
            on_way.add(new)
            stack.append((new, iter(following[new])))
    return False
