"""Taking surveys in: a path's first map, and later ones onto what is there."""

from __future__ import annotations

from typing import Any

from django.db import IntegrityError, transaction

from core.accounts.actor import Actor
from core.clock import now
from core.locking import locked_one
from sites.map_diff import MapDiff, map_diff
from sites.models.controller import Controller
from sites.models.wire_path import WirePath
from sites.selectors.paths import path_rows
from sites.services.path_revisions import (
    MapResult,
    Told,
    map_result,
    next_revision,
    refuse_old_base,
    refuse_taken,
    revision_store,
)
from sites.survey_intake import survey_admit

Document = dict[str, Any]


def path_import(
    *,
    controller: Controller,
    survey: Document | bytes | str,
    by: Actor,
    label: str | None = None,
    dry_run: bool = False,
) -> MapResult:
    """A new wire path on a controller from a survey, given as JSON text or as its object.

    ``label`` replaces the survey's own. All or nothing is stored; a dry run stores nothing.
    Raises Invalid with every defect of the survey, Conflict where the controller has ended or has
    a path of this label.
    """
    admitted = survey_admit(survey, label)
    diff = map_diff(admitted.document)
    refuse_taken(controller, diff.header["label"])
    path = None if dry_run else _first_map(controller, diff, by)
    return map_result(diff, path=path, revision=1, stored=not dry_run, warnings=admitted.warnings)


def path_reimport(
    *,
    path: WirePath,
    base_revision: int,
    survey: Document | bytes | str,
    by: Actor,
    dry_run: bool = False,
) -> MapResult:
    """The next revision of a path from a survey of all of it; only rows that differ are written.

    A survey that says the same as ``base_revision`` makes no revision.
    Raises Invalid with every defect of the survey, Stale where the path is past ``base_revision``,
    Conflict where it has ended or another path of the controller has the new label.
    """
    current = WirePath.objects.get(pk=path.pk)
    refuse_old_base(current, base_revision)
    admitted = survey_admit(survey)
    return next_revision(
        path=current,
        diff=map_diff(admitted.document, path_rows(current, base_revision)),
        by=by,
        told=Told("path.reimported"),
        warnings=admitted.warnings,
        dry_run=dry_run,
    )


def _first_map(controller: Controller, diff: MapDiff, by: Actor) -> WirePath:
    path = WirePath(created_at=now(), **diff.header)
    try:
        with transaction.atomic():
            path.controller = locked_one(controller)
            refuse_taken(path.controller, path.label)
            path.save()
            revision_store(path=path, diff=diff, by=by, told=Told("path.imported"))
    except IntegrityError:
        # Another path may have been given the label meanwhile.
        refuse_taken(controller, path.label)
        raise
    return path
