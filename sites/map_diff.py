"""What a survey changes on a path's map: which rows begin, which end, which stay as they are."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from sites.models.map_row import MapRow
from sites.row_order import places_in_order
from sites.selectors.paths import PathRows
from sites.survey_rows import ROW_FORMS, Columns, Document, RowForm, header_columns


@dataclass(frozen=True)
class RowCodes:
    """Codes of the rows of one kind. ``moved`` ones only stand elsewhere in the survey's list."""

    added: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    moved: tuple[str, ...] = ()
    ended: tuple[str, ...] = ()

    def counts(self) -> dict[str, int]:
        """How many of each."""
        return {name: len(getattr(self, name)) for name in ("added", "changed", "moved", "ended")}

    def __bool__(self) -> bool:
        return any(self.counts().values())


@dataclass(frozen=True)
class FreshRow:
    """A row that begins; ``public_id`` is that of the row whose place it takes, if any."""

    columns: Columns
    place: float
    public_id: str | None


@dataclass(frozen=True)
class KindDiff:
    """What changes among the rows of one kind; ``ending_ids`` includes rows that go on anew."""

    form: RowForm
    codes: RowCodes
    fresh: tuple[FreshRow, ...]
    ending_ids: Mapping[str, int]
    """The ids of rows that end, by code."""
    row_count: int
    """How many rows of the kind are valid afterwards."""


@dataclass(frozen=True)
class MapDiff:
    """What changes on a map."""

    header: Columns
    changed_header: tuple[str, ...]
    kinds: tuple[KindDiff, ...]

    def __bool__(self) -> bool:
        return bool(self.changed_header) or any(kind.codes for kind in self.kinds)


def map_diff(document: Document, base: PathRows | None = None) -> MapDiff:
    """What a survey changes on the map that ``base`` holds; without one all is new."""
    columns = header_columns(document["path"])
    changed = [name for name in columns if base and getattr(base.revision, name) != columns[name]]
    return MapDiff(
        header=columns,
        changed_header=tuple(changed),
        kinds=tuple(
            _kind_diff(form, document[form.list_name], getattr(base, form.list_name, ()))
            for form in ROW_FORMS
        ),
    )


def _kind_diff(form: RowForm, rows: list[Document], base: Iterable[MapRow]) -> KindDiff:
    stored = {row.code: row for row in base}
    wanted = [form.columns(row) for row in rows]
    old = [stored.get(columns["code"]) for columns in wanted]
    places = places_in_order([None if row is None else row.place for row in old])
    fresh, added, changed, moved = [], [], [], []
    ending_ids: dict[str, int] = {}
    for columns, before, place in zip(wanted, old, places, strict=True):
        code = columns["code"]
        if before is None:
            added.append(code)
            fresh.append(FreshRow(columns, place, None))
            continue
        if any(getattr(before, name) != value for name, value in columns.items()):
            changed.append(code)
        elif before.place != place:
            moved.append(code)
        else:
            continue
        ending_ids[code] = before.pk
        fresh.append(FreshRow(columns, place, before.public_id))
    kept = {columns["code"] for columns in wanted}
    ended = tuple(code for code in stored if code not in kept)
    return KindDiff(
        form=form,
        codes=RowCodes(tuple(added), tuple(changed), tuple(moved), ended),
        fresh=tuple(fresh),
        ending_ids=ending_ids | {code: stored[code].pk for code in ended},
        row_count=len(wanted),
    )
