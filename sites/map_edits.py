"""Small edits of a path's map, made on the survey of the revision they were meant for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from core.problems import Defect, Invalid
from sites.models.map_row import RowKind

Document = dict[str, Any]

_LISTS = {"node": "nodes", "segment": "segments", "device": "devices"}
_KINDS = {list_name: kind for kind, list_name in _LISTS.items()}


@dataclass(frozen=True)
class MapEdit:
    """One edit. ``values`` are members of the survey form without ``id``: all of a row that is
    added, those that change of one that is altered, where None takes an optional member out.

    ``kind`` path alters the header and has no ``code``; there an earth reference of None means
    floating. ``comes_from``: codes of rows of the same kind that a row that is added came from,
    as of a cable cut in two. ``ground_changed``: the ground itself was altered; False: the map
    was wrong.
    """

    do: Literal["add", "alter", "end"]
    kind: Literal["path", "node", "segment", "device"]
    code: str = ""
    values: Mapping[str, Any] = field(default_factory=dict)
    comes_from: tuple[str, ...] = ()
    ground_changed: bool = False


@dataclass(frozen=True)
class EditedSurvey:
    """A survey with edits made, and which edit touched which row last, by list and code."""

    document: Document
    touched: Mapping[tuple[str, str], int]

    def edit_defects(self, defects: Sequence[Defect]) -> tuple[Defect, ...]:
        """Defects of the survey, told of the edits they come from."""
        return tuple(self._of_edit(one) for one in defects)

    def _of_edit(self, defect: Defect) -> Defect:
        list_name, _, rest = defect.pointer.removeprefix("/").partition("/")
        if list_name == "path" and (edit := self.touched.get(("path", ""))) is not None:
            return Defect(f"/changes/{edit}/values/{rest}", defect.what, defect.right)
        place, _, member = rest.partition("/")
        if list_name not in _KINDS or not place.isdigit():
            return Defect("/changes", defect.what, defect.right)
        code = self.document[list_name][int(place)]["id"]
        edit = self.touched.get((list_name, code))
        if edit is None:
            return Defect("/changes", f"{_KINDS[list_name]} {code}: {defect.what}", defect.right)
        inside = "/code" if member == "id" else f"/values/{member}" if member else ""
        return Defect(f"/changes/{edit}{inside}", defect.what, defect.right)


def edits_apply(survey: Document, edits: Sequence[MapEdit]) -> EditedSurvey:
    """Make edits, one after the other, on a copy of a survey; what comes out is not yet checked.

    Raises Invalid with every edit that cannot be made, pointers ``/changes/…``.
    """
    path = dict(survey["path"])
    lists = {name: {row["id"]: row for row in survey[name]} for name in _LISTS.values()}
    known = {name: set(rows) for name, rows in lists.items()}
    touched: dict[tuple[str, str], int] = {}
    defects: list[Defect] = []
    for at, edit in enumerate(edits):
        found = list(_edit_defects(edit, lists, known))
        defects += [Defect(f"/changes/{at}{one.pointer}", one.what, one.right) for one in found]
        if not found:
            _make(edit, path, lists)
            touched[(_LISTS.get(edit.kind, "path"), edit.code)] = at
    if not edits:
        defects.append(Defect("/changes", "there is no change", "one change or more"))
    if defects:
        raise Invalid("The changes cannot be made on this revision.", defects=defects)
    return EditedSurvey(
        survey | {"path": path} | {name: list(rows.values()) for name, rows in lists.items()},
        touched,
    )


def edits_lineage(edits: Sequence[MapEdit]) -> tuple[tuple[RowKind, str, str], ...]:
    """What came from what: (kind, old code, new code), each once."""
    pairs = {
        (RowKind(edit.kind), old, edit.code): None for edit in edits for old in edit.comes_from
    }
    return tuple(pairs)


def edits_ground_changed(edits: Sequence[MapEdit]) -> frozenset[tuple[RowKind, str]]:
    """The rows that changed in the ground itself."""
    return frozenset(
        (RowKind(edit.kind), edit.code)
        for edit in edits
        if edit.ground_changed and edit.kind != "path"
    )


def _edit_defects(
    edit: MapEdit, lists: Mapping[str, Mapping[str, Document]], known: Mapping[str, set[str]]
) -> Iterator[Defect]:
    if edit.comes_from and edit.do != "add":
        yield Defect("/comes_from", "only a row that is added comes from others", "leave it out")
    if "id" in edit.values:
        right = "no id; to change a code, end the row and add another"
        yield Defect("/values/id", "the code is told beside the values", right)
    if edit.kind == "path":
        if edit.do != "alter" or edit.code:
            yield Defect("/do", "a path is altered here, by no code", '"alter", without code')
        return
    rows = lists[_LISTS[edit.kind]]
    if edit.do == "add" and edit.code in rows:
        what = f"there is a {edit.kind} {edit.code} already"
        yield Defect("/code", what, "a code that is free")
    if edit.do != "add" and edit.code not in rows:
        what = f"there is no {edit.kind} {edit.code} in this revision"
        yield Defect("/code", what, f"the code of a {edit.kind} that is there")
    if edit.do == "end" and edit.values:
        yield Defect("/values", "a row that ends takes no values", "leave them out")
    for at, old in enumerate(edit.comes_from):
        if old not in known[_LISTS[edit.kind]]:
            what = f"there was no {edit.kind} {old} in this revision"
            yield Defect(f"/comes_from/{at}", what, f"the code of a {edit.kind} that was there")


def _make(edit: MapEdit, path: Document, lists: Mapping[str, dict[str, Document]]) -> None:
    if edit.kind == "path":
        _alter(path, edit.values, may_be_null=frozenset({"earth_reference_ohm"}))
        return
    rows = lists[_LISTS[edit.kind]]
    if edit.do == "end":
        del rows[edit.code]
    elif edit.do == "add":
        rows[edit.code] = {"id": edit.code, **edit.values}
    else:
        rows[edit.code] = dict(rows[edit.code])
        _alter(rows[edit.code], edit.values)


def _alter(
    row: Document, values: Mapping[str, Any], *, may_be_null: frozenset[str] = frozenset()
) -> None:
    for name, value in values.items():
        if value is None and name not in may_be_null:
            row.pop(name, None)
        else:
            row[name] = value
