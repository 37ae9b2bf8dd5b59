"""The largest path the form allows: 20,000 nodes with a segment and a device at each."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from typing import TypeVar

import pytest

from core.accounts.actor import Actor
from sites.models import Controller, Node
from sites.services.path_imports import path_import
from sites.services.path_revisions import MapResult
from sites.survey_rows import path_survey
from tests.sites.surveys import straight_survey

Found = TypeVar("Found")

# Of processor time: four times what a slow machine that others share was seen to take.
MOST_SECONDS_TO_IMPORT = 40.0
MOST_SECONDS_TO_EXPORT = 20.0


def within(seconds: float, work: Callable[[int], Found]) -> Found:
    """What the work gives; it may try a second time, for the machine is not ours alone."""
    for attempt in (1, 2):
        start = time.process_time()
        found = work(attempt)
        taken = time.process_time() - start
        if taken < seconds:
            return found
    raise AssertionError(f"twice slower than {seconds} s; the second time {taken:.1f} s")


@pytest.mark.slow
def test_twenty_thousand_nodes_come_in_and_go_out_in_time(
    controller: Controller, by: Actor
) -> None:
    survey = straight_survey(19_999)
    text = json.dumps(survey)

    def bring_in(attempt: int) -> MapResult:
        return path_import(controller=controller, survey=text, by=by, label=f"Attempt {attempt}")

    told = within(MOST_SECONDS_TO_IMPORT, bring_in)
    path = told.path
    assert path is not None
    assert Node.objects.filter(path=path).count() == 20_000
    out = within(MOST_SECONDS_TO_EXPORT, lambda _: path_survey(path))
    survey["path"]["label"] = path.label
    assert out == survey
