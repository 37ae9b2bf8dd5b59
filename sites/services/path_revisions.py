"""Storing what a survey or a correction changes on a path's map as its next revision."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

from django.db import IntegrityError, transaction
from django.db.models import F

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.problems import Conflict, Defect, Stale
from sites.map_diff import FreshRow, KindDiff, MapDiff, RowCodes
from sites.models.controller import Controller
from sites.models.map_row import RowKind, RowLineage
from sites.models.wire_path import PathRevision, WirePath
from sites.services.row_writer import rows_insert
from sites.survey_rows import Columns

_IDS_AT_ONCE = 500


@dataclass(frozen=True)
class MapResult:
    """What an import, a reimport or a correction did, or in a dry run would do.

    ``revision`` is the path's revision afterwards; ``path`` is None in the dry run of a first
    import. ``header`` names the columns of the path's header that changed.
    """

    path: WirePath | None
    revision: int
    stored: bool
    nodes: RowCodes
    segments: RowCodes
    devices: RowCodes
    header: tuple[str, ...] = ()
    warnings: tuple[Defect, ...] = ()


@dataclass(frozen=True)
class Told:
    """What is told of a change to a map besides its rows: the action's name for the record, a
    note, which rows changed in the ground itself, and what came from what, as (kind, old code,
    new code)."""

    action: str
    note: str = ""
    ground_changed: frozenset[tuple[RowKind, str]] = frozenset()
    lineage: tuple[tuple[RowKind, str, str], ...] = ()


def map_result(
    diff: MapDiff,
    *,
    path: WirePath | None,
    revision: int,
    stored: bool,
    warnings: tuple[Defect, ...],
) -> MapResult:
    """The result that tells of a diff."""
    nodes, segments, devices = (kind.codes for kind in diff.kinds)
    return MapResult(
        path=path,
        revision=revision,
        stored=stored,
        nodes=nodes,
        segments=segments,
        devices=devices,
        header=diff.changed_header,
        warnings=warnings,
    )


def refuse_old_base(path: WirePath, base_revision: int) -> None:
    """Raise Stale where the path is at another revision, Conflict where it has ended."""
    if path.revision != base_revision:
        raise Stale(
            f"The wire path is at revision {path.revision}, not {base_revision}: "
            "read it again and look whether the change still fits.",
            extra={"revision": path.revision},
        )
    if path.ended_at is not None:
        raise Conflict("The wire path has ended; its map stays as it was.")


def refuse_taken(controller: Controller, label: str, path: WirePath | None = None) -> None:
    """Raise Conflict where the controller has ended, or another of its paths has the label."""
    if controller.ended_at is not None:
        raise Conflict("The controller has ended and takes no wire path.")
    same = controller.paths.filter(label=label, ended_at__isnull=True)
    if (same if path is None else same.exclude(pk=path.pk)).exists():
        raise Conflict(f"The controller has a wire path {label!r} already: give another label.")


def next_revision(
    *,
    path: WirePath,
    diff: MapDiff,
    by: Actor,
    told: Told,
    warnings: tuple[Defect, ...],
    dry_run: bool,
) -> MapResult:
    """Store a diff against ``path.revision`` as the next revision; an empty one makes none.

    Raises Stale where the path is past that revision, Conflict where it has ended or another path
    of the controller has the label.
    """
    if diff:
        refuse_taken(path.controller, diff.header["label"], path)
    stored = bool(diff) and not dry_run
    base_revision = path.revision
    if stored:
        path = _stored_revision(path, diff, by, told)
    return map_result(
        diff,
        path=path,
        revision=base_revision + bool(diff),
        stored=stored,
        warnings=warnings,
    )


def _stored_revision(path: WirePath, diff: MapDiff, by: Actor, told: Told) -> WirePath:
    try:
        with transaction.atomic():
            claimed = _claimed(path, diff)
            revision_store(path=claimed, diff=diff, by=by, told=told)
    except IntegrityError:
        # Another path may have been given the label meanwhile.
        refuse_taken(path.controller, diff.header["label"], path)
        raise
    return claimed


def _claimed(path: WirePath, diff: MapDiff) -> WirePath:
    """The path at its next revision, taken for this transaction; of two who claim, one wins."""
    claimed = WirePath.objects.filter(
        pk=path.pk, revision=path.revision, ended_at__isnull=True
    ).update(revision=path.revision + 1, version=F("version") + 1, **diff.header)
    current = WirePath.objects.select_related("controller__property").get(pk=path.pk)
    if not claimed:
        refuse_old_base(current, path.revision)
    return current


def revision_store(*, path: WirePath, diff: MapDiff, by: Actor, told: Told) -> None:
    """Write the rows of the revision that ``path`` is at now, within the caller's transaction."""
    at = now()
    nodes, segments, devices = diff.kinds
    PathRevision.objects.create(
        path=path,
        number=path.revision,
        at=at,
        by_name=by.name,
        note=told.note,
        node_count=nodes.row_count,
        segment_count=segments.row_count,
        device_count=devices.row_count,
        **diff.header,
    )
    for kind in diff.kinds:
        _end_rows(kind, path.revision, told)
        rows_insert(
            kind.form.model,
            [_row_columns(kind, row, told) for row in kind.fresh],
            {
                "path_id": path.pk,
                "from_revision": path.revision,
                "to_revision": None,
                "known_at": at,
            },
        )
    RowLineage.objects.bulk_create(
        RowLineage(path=path, revision=path.revision, kind=kind, old_code=old, new_code=new)
        for kind, old, new in told.lineage
    )
    change_record(
        by=by,
        action=told.action,
        thing=("path", path.public_id),
        before={"revision": path.revision - 1} if path.revision > 1 else None,
        after={
            "revision": path.revision,
            "label": path.label,
            "note": told.note,
            "header": list(diff.changed_header),
            **{kind.form.list_name: kind.codes.counts() for kind in diff.kinds},
        },
    )


def _row_columns(kind: KindDiff, row: FreshRow, told: Told) -> Columns:
    columns = row.columns | {
        "place": row.place,
        "ground_changed": (kind.form.kind, row.columns["code"]) in told.ground_changed,
    }
    return columns if row.public_id is None else columns | {"public_id": row.public_id}


def _end_rows(kind: KindDiff, revision: int, told: Told) -> None:
    """End rows; those that do not go on were taken out of the ground or were never there."""
    taken = {code for code in kind.codes.ended if (kind.form.kind, code) in told.ground_changed}
    for is_gone in (True, False):
        ids = [row_id for code, row_id in kind.ending_ids.items() if (code in taken) is is_gone]
        for some in _in_parts(ids):
            kind.form.model.objects.filter(pk__in=some).update(
                to_revision=revision, gone_from_ground=is_gone
            )


def _in_parts(ids: list[int]) -> Iterator[list[int]]:
    rest = iter(ids)
    while some := list(islice(rest, _IDS_AT_ONCE)):
        yield some
