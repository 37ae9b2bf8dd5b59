"""The largest path the form allows: 20,000 nodes with a segment and a device at each."""

from __future__ import annotations

import json
import time

import pytest

from core.accounts.actor import Actor
from sites.models import Controller, Node
from sites.services.path_imports import path_import
from sites.survey_rows import path_survey
from tests.sites.surveys import straight_survey

MOST_SECONDS_TO_IMPORT = 10.0
MOST_SECONDS_TO_EXPORT = 5.0


@pytest.mark.slow
def test_twenty_thousand_nodes_come_in_and_go_out_in_time(
    controller: Controller, by: Actor
) -> None:
    survey = straight_survey(19_999)
    text = json.dumps(survey)
    start = time.monotonic()
    path = path_import(controller=controller, survey=text, by=by).path
    imported = time.monotonic()
    assert path is not None
    out = path_survey(path)
    exported = time.monotonic()
    assert out == survey
    assert Node.objects.count() == 20_000
    assert imported - start < MOST_SECONDS_TO_IMPORT
    assert exported - imported < MOST_SECONDS_TO_EXPORT
