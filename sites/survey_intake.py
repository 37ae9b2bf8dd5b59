"""A survey from outside, let in: within the form's limits, without a defect, with its warnings."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from core.problems import Defect, Invalid
from sites.forms.defects import Defect as FormDefect
from sites.forms.defects import FormDefects, counted
from sites.forms.load import load_document
from sites.forms.survey import read_survey
from sites.forms.survey_warnings import survey_warnings

Document = dict[str, Any]


@dataclass(frozen=True)
class AdmittedSurvey:
    """A survey without defect, and what is odd in it all the same."""

    document: Document
    warnings: tuple[Defect, ...]


def survey_admit(survey: Document | bytes | str, label: str | None = None) -> AdmittedSurvey:
    """Check a survey, given as JSON text or as the object it holds; ``label`` replaces its own.

    Raises Invalid with every defect and its JSON pointer, and for what is over the form's limits.
    """
    try:
        document = _loaded(survey)
        if label is not None and isinstance(document.get("path"), dict):
            document["path"]["label"] = label
        path = read_survey(document)
    except FormDefects as refused:
        raise Invalid(
            f"The survey has {counted(len(refused.defects))}.",
            defects=problem_defects(refused.defects),
        ) from refused
    return AdmittedSurvey(document, problem_defects(survey_warnings(path)))


def problem_defects(defects: Iterable[FormDefect]) -> tuple[Defect, ...]:
    """Defects of a form as the members of a problem."""
    return tuple(Defect(one.pointer, one.what, one.right) for one in defects)


def _loaded(survey: Document | bytes | str) -> Document:
    """The object as it would be read from a file: the same limits hold, and it is ours alone."""
    if isinstance(survey, bytes | str):
        return load_document(survey)
    try:
        text = json.dumps(survey, ensure_ascii=False).encode()
    except UnicodeEncodeError:
        # Half a character: written as an escape it is told with its pointer.
        text = json.dumps(survey).encode()
    except RecursionError:
        # Too deep to be written is too deep: let the reader say so.
        text = b"[" * 100 + b"]" * 100
    return load_document(text)
