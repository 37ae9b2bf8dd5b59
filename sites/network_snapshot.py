"""Rows of a path's map as the elements that the pure packages take."""

from __future__ import annotations

from sites.forms.survey import survey_path
from sites.models.wire_path import WirePath
from sites.network import elements
from sites.survey_rows import path_survey


def path_network(path: WirePath, revision: int | None = None) -> elements.WirePath:
    """The network of a path in a revision, None: the newest. Four queries.

    Raises NotFound for a revision there is not.
    """
    # What is stored has been through the form's checks, so they are not made again.
    return survey_path(path_survey(path, revision))
