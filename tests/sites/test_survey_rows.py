"""What comes in goes out again, on whatever revision it came."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from core.accounts.actor import Actor
from core.problems import NotFound
from sites.forms.survey import read_survey
from sites.models import Controller
from sites.network_snapshot import path_network
from sites.services.path_imports import path_import, path_reimport
from sites.survey_rows import path_survey
from tests.forms.documents import surveys
from tests.sites.surveys import Document, everything_stated, nothing_optional, straight_survey


def kinds_of_members(value: object) -> object:
    """The document with true and 1 told apart, which Python's equality does not do."""
    if isinstance(value, dict):
        return {name: kinds_of_members(inner) for name, inner in value.items()}
    if isinstance(value, list):
        return [kinds_of_members(inner) for inner in value]
    return (isinstance(value, bool), value)


def assert_same(one: Document, other: Document) -> None:
    assert kinds_of_members(one) == kinds_of_members(other)


@contextmanager
def undone() -> Iterator[None]:
    """Takes back what an example stored."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


@pytest.mark.parametrize("survey", [everything_stated(), nothing_optional(), straight_survey(5)])
def test_a_survey_comes_out_as_it_went_in(
    controller: Controller, by: Actor, survey: Document
) -> None:
    path = path_import(controller=controller, survey=survey, by=by).path
    assert path is not None
    out = path_survey(path)
    assert_same(out, survey)
    again = path_import(controller=controller, survey=out, by=by, label="again").path
    assert again is not None
    assert_same(path_survey(again), {**survey, "path": {**survey["path"], "label": "again"}})


@pytest.mark.slow
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(first=surveys(), second=surveys())
def test_any_survey_and_any_that_follows_it_are_kept_exactly(
    controller: Controller, by: Actor, first: Document, second: Document
) -> None:
    with undone():
        path = path_import(controller=controller, survey=json.dumps(first), by=by).path
        assert path is not None
        path_reimport(path=path, base_revision=1, survey=second, by=by)
        assert_same(path_survey(path, 1), first)
        assert_same(path_survey(path), second)
        assert path_network(path) == read_survey(second)


@pytest.mark.slow
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(survey=surveys(), data=st.data())
def test_any_order_of_rows_is_kept(
    controller: Controller, by: Actor, survey: Document, data: st.DataObject
) -> None:
    shuffled = copy.deepcopy(survey)
    for name in ("nodes", "segments", "devices"):
        shuffled[name] = data.draw(st.permutations(survey[name]))
    with undone():
        path = path_import(controller=controller, survey=survey, by=by).path
        assert path is not None
        told = path_reimport(path=path, base_revision=1, survey=shuffled, by=by)
        assert not told.nodes.changed
        assert_same(path_survey(path), shuffled)
        assert_same(path_survey(path, 1), survey)


def test_a_revision_that_is_not_there_is_not_found(controller: Controller, by: Actor) -> None:
    path = path_import(controller=controller, survey=straight_survey(1), by=by).path
    assert path is not None
    with pytest.raises(NotFound, match="no revision 2"):
        path_survey(path, 2)


def test_the_network_is_that_of_the_survey(controller: Controller, by: Actor) -> None:
    path = path_import(controller=controller, survey=everything_stated(), by=by).path
    assert path is not None
    assert path_network(path) == read_survey(everything_stated())
