"""The schema files of a trace's forms, with those of the survey they refer to."""

from __future__ import annotations

from pathlib import Path

from sites.forms.defects import Defect
from sites.forms.shape import shape_defects, validator
from sites.forms.survey import SCHEMAS as SURVEY_SCHEMAS

SCHEMAS = Path(__file__).parent / "schemas"


def form_defects(document: object, form: str) -> list[Defect]:
    """Everything in which a document does not fit the schema of ``form``, such as ``trace``."""
    return shape_defects(document, validator(SCHEMAS / f"{form}.schema.json", SURVEY_SCHEMAS))
