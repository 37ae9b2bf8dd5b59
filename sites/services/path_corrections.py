"""Correcting a path's map by small edits, as they come from the field."""

from __future__ import annotations

from collections.abc import Sequence

from core.accounts.actor import Actor
from core.problems import Defect, Invalid
from sites.forms.survey import survey_path
from sites.forms.survey_warnings import survey_warnings
from sites.map_diff import map_diff
from sites.map_edits import MapEdit, edits_apply, edits_ground_changed, edits_lineage
from sites.models.wire_path import WirePath
from sites.selectors.paths import path_rows
from sites.services.path_revisions import (
    MapResult,
    Told,
    next_revision,
    refuse_old_base,
)
from sites.survey_intake import AdmittedSurvey, Document, survey_admit
from sites.survey_rows import rows_survey

MOST_NOTE = 200


def path_correct(
    *,
    path: WirePath,
    base_revision: int,
    changes: Sequence[MapEdit],
    by: Actor,
    note: str = "",
    dry_run: bool = False,
) -> MapResult:
    """The next revision of a path by edits on ``base_revision``; only what differs is written.

    The map that comes out has to fit the survey form as a whole: no segment without its nodes,
    no part without a way to the controller.
    Raises Invalid with every defect (pointers ``/changes/…``), Stale where the path is past
    ``base_revision``, Conflict where it has ended or another path has the label.
    """
    current = WirePath.objects.select_related("controller").get(pk=path.pk)
    refuse_old_base(current, base_revision)
    if len(note) > MOST_NOTE:
        defect = Defect("/note", f"the note has {len(note)} characters", f"at most {MOST_NOTE}")
        raise Invalid("The note is too long.", defects=[defect])
    base = path_rows(current, base_revision)
    survey = rows_survey(base)
    edited = edits_apply(survey, changes)
    try:
        admitted = survey_admit(edited.document)
    except Invalid as refused:
        raise Invalid(
            "The map with these changes does not fit.",
            defects=edited.edit_defects(refused.defects),
        ) from refused
    return next_revision(
        path=current,
        diff=map_diff(admitted.document, base),
        by=by,
        told=Told("path.corrected", note, edits_ground_changed(changes), edits_lineage(changes)),
        warnings=edited.edit_defects(_new_warnings(survey, admitted)),
        dry_run=dry_run,
    )


def _new_warnings(before: Document, admitted: AdmittedSurvey) -> list[Defect]:
    """The warnings that the map did not give already; their words name the rows they mean."""
    known = {warning.what for warning in survey_warnings(survey_path(before))}
    return [warning for warning in admitted.warnings if warning.what not in known]
