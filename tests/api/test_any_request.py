"""Whatever fits or does not fit the description: no defect of ours, no answer that is not in it."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from api.schema import openapi_document
from core.accounts.actor import TokenScope, system_actor
from core.models import Contractor
from core.tenancy.scope import contractor_scope
from tests.api.asking import with_token
from tests.api.things import THINGS

pytestmark = pytest.mark.slow

EXAMPLES = 10
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]


def operations() -> Iterator[Any]:
    """Every operation of the description, to be asked of the server in this process."""
    schema = schemathesis.openapi.from_dict(copy.deepcopy(openapi_document()))
    schema.app = get_wsgi_application()
    for found in schema.get_all_operations():
        operation = found.ok()
        yield pytest.param(operation, id=f"{operation.method.upper()} {operation.path}")


@dataclass(frozen=True)
class Somebody:
    """A contractor's token and one of their things of the kind that is asked about."""

    token: str
    thing: str


def somebody(contractor: Contractor, path: str) -> Somebody:
    token = with_token(contractor, list(TokenScope)).token
    word = path.removeprefix("/api/v1/").partition("/")[0]
    if "{" not in path:
        return Somebody(token, "")
    with contractor_scope(contractor.pk):
        return Somebody(token, THINGS[word](system_actor(contractor.pk, "tests")))


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE], ids=str)
@pytest.mark.parametrize("operation", list(operations()))
def test_any_request(
    operation: Any,
    mode: GenerationMode,
    contractor: Contractor,
    other_contractor: Contractor,
    settings_without_limits: None,
    the_tests_connection_stays: None,
) -> None:
    people = [somebody(one, operation.path) for one in (contractor, other_contractor)]
    things = [one.thing for one in people]
    cases = operation.as_strategy(generation_mode=mode)

    @settings(
        max_examples=EXAMPLES,
        derandomize=True,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(
        case=cases,
        who=st.sampled_from(people),
        thing=st.sampled_from([*things, None]),
        tag=st.sampled_from(['"v1"', '"r1"', None]),
    )
    def ask(case: Any, who: Somebody, thing: str | None, tag: str | None) -> None:
        if thing is not None and "{public_id}" in operation.path:
            case.path_parameters = {"public_id": thing}
        headers = {"Authorization": f"Bearer {who.token}"} | ({"If-Match": tag} if tag else {})
        answer = case.call(headers=headers)
        case.validate_response(answer, checks=CHECKS)
        assert answer.status_code != 401
        if thing not in (None, "", who.thing):
            assert answer.status_code in (400, 404, 413, 415, 422), "another contractor's thing"

    ask()


@pytest.fixture
def settings_without_limits(settings: Any) -> None:
    most = 10**9
    settings.API_LIMITS = {"usual": (most, 60), "heavy": (most, 60)}


@pytest.fixture
def the_tests_connection_stays() -> Iterator[None]:
    """As Django's own test client does it: a request would close what the test's data lie in."""
    signals = (request_started, request_finished)
    for signal in signals:
        assert signal.disconnect(close_old_connections)
    yield
    for signal in signals:
        signal.connect(close_old_connections)
