"""The description of the API: valid, complete, stored, and not broken unnoticed."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

import pytest
from django.core.management import call_command

from api.compatibility import breaking_changes
from api.policy import POLICY
from api.schema import openapi_document
from tests.api.asking import Asker
from tests.api.routes import ROUTES
from tests.architecture.house import ROOT

STORED = ROOT / "docs" / "openapi.json"
WRITE = "manage.py spectacular --format openapi-json --file docs/openapi.json"


def of_code() -> Any:
    return json.loads(json.dumps(openapi_document()))


@pytest.fixture(scope="module")
def stored() -> Any:
    return json.loads(STORED.read_text(encoding="utf-8"))


@pytest.mark.slow
def test_the_schema_is_valid_and_warns_of_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    call_command("spectacular", "--validate", "--fail-on-warn", "--format", "openapi-json")
    assert json.loads(capsys.readouterr().out)["openapi"] == "3.1.0"


def test_the_stored_copy_breaks_for_nobody_and_is_the_code_s(stored: Any) -> None:
    assert breaking_changes(stored, of_code()) == []
    assert stored == of_code(), f"write it anew: {WRITE}"


def test_every_route_and_method_is_described(stored: Any) -> None:
    described = {
        (path.replace("{public_id}", "{id}").removeprefix("/api/v1"), method.upper())
        for path, operations in stored["paths"].items()
        for method in operations
    }
    assert described == {(route.path, method) for route in ROUTES for method in route.methods}
    assert len(described) == sum(len(rules) for rules in POLICY.values())


def test_every_operation_tells_its_problems_and_has_its_own_name(stored: Any) -> None:
    names = []
    for operations in stored["paths"].values():
        for method, operation in operations.items():
            names.append(operation["operationId"])
            assert operation["summary"]
            told = set(operation["responses"])
            assert {"400", "401", "403", "422", "429", "500", "503"} <= told
            if method in {"post", "put", "patch"}:
                assert {"409", "413", "415", "507"} <= told
            edits = any(one["name"] == "If-Match" for one in operation.get("parameters", ()))
            assert ({"412", "428"} <= told) is edits
            for status, answer in operation["responses"].items():
                if status.startswith(("4", "5")):
                    assert list(answer["content"]) == ["application/problem+json"]
    assert len(set(names)) == len(names)


def test_the_server_gives_the_description_to_those_who_are_known(
    machine: Asker, nobody: Asker, stored: Any
) -> None:
    assert machine.get("/openapi.json").json() == stored
    assert nobody.get("/openapi.json").status_code == 401


Change = Callable[[Any], Any]
CREWS = "/api/v1/crews"


def gone_path(new: Any) -> None:
    del new["paths"][CREWS]


def gone_method(new: Any) -> None:
    del new["paths"][CREWS]["post"]


def gone_member(new: Any) -> None:
    del new["components"]["schemas"]["CrewDocument"]["properties"]["name"]


def other_type(new: Any) -> None:
    new["components"]["schemas"]["CrewDocument"]["properties"]["name"]["type"] = "integer"


def may_be_null(new: Any) -> None:
    member = new["components"]["schemas"]["CrewDocument"]["properties"]["name"]
    member["type"] = ["string", "null"]


def asked_for(new: Any) -> None:
    new["components"]["schemas"]["PropertyNew"]["required"].append("address")


def no_longer_taken(new: Any) -> None:
    del new["components"]["schemas"]["PropertyNew"]["properties"]["access_note"]


def shorter(new: Any) -> None:
    new["components"]["schemas"]["CrewNew"]["properties"]["name"]["maxLength"] = 10


def fewer_words(new: Any) -> None:
    new["components"]["schemas"]["EventKind"]["enum"].remove("rain")


def more_words_in_answers(new: Any) -> None:
    new["components"]["schemas"]["JobState"]["enum"].append("lost")


def new_parameter(new: Any) -> None:
    parameter = {"in": "query", "name": "week", "required": True, "schema": {"type": "string"}}
    new["paths"][CREWS]["get"]["parameters"].append(parameter)


def gone_parameter(new: Any) -> None:
    parameters = new["paths"][CREWS]["get"]["parameters"]
    parameters[:] = [one for one in parameters if one["name"] != "sort"]


def gone_answer(new: Any) -> None:
    answers = new["paths"][CREWS]["post"]["responses"]
    answers["200"] = answers.pop("201")


def schemas_of(new: Any) -> Any:
    return new["components"]["schemas"]


def higher_minimum(new: Any) -> None:
    schemas_of(new)["TokenNew"]["properties"]["lifetime_days"]["minimum"] = 7


def higher_minimum_of_parameter(new: Any) -> None:
    for one in new["paths"][CREWS]["get"]["parameters"]:
        if one["name"] == "limit":
            one["schema"]["minimum"] = 20


def new_pattern(new: Any) -> None:
    schemas_of(new)["CrewNew"]["properties"]["name"]["pattern"] = "^[A-Z]"


def free_text_becomes_words(new: Any) -> None:
    schemas_of(new)["CrewNew"]["properties"]["name"]["enum"] = ["north", "south"]


def more_items(new: Any) -> None:
    schemas_of(new)["AsLeftAnswersNew"]["properties"]["left"]["minItems"] = 2


def body_asked_for(new: Any) -> None:
    new["paths"]["/api/v1/crews/{public_id}"]["patch"]["requestBody"]["required"] = True


def other_media_type(new: Any) -> None:
    content = new["paths"][CREWS]["get"]["responses"]["200"]["content"]
    content["text/csv"] = content.pop("application/json")


def other_media_type_of_body(new: Any) -> None:
    content = new["paths"][CREWS]["post"]["requestBody"]["content"]
    content["text/csv"] = content.pop("application/json")


def words_become_free_text(new: Any) -> None:
    del schemas_of(new)["JobState"]["enum"]


def other_format(new: Any) -> None:
    schemas_of(new)["EventNew"]["properties"]["at"]["format"] = "date"


def other_format_of_answer(new: Any) -> None:
    schemas_of(new)["JobDocument"]["properties"]["created_at"]["format"] = "date"


def no_format_of_answer(new: Any) -> None:
    del schemas_of(new)["JobDocument"]["properties"]["created_at"]["format"]


def never_null(new: Any) -> None:
    schemas_of(new)["EventNew"]["properties"]["rain_mm"]["type"] = "number"


def option_of_answer(new: Any) -> None:
    schemas_of(new)["CallDocument"]["properties"]["path"]["oneOf"].append({"type": "string"})


def one_type_for_any(new: Any) -> None:
    schemas_of(new)["ObservationNew"]["properties"]["observation"]["type"] = "object"


def no_other_members(new: Any) -> None:
    member = schemas_of(new)["ObservationNew"]["properties"]["observation"]
    member["additionalProperties"] = False


def answer_of_any_type(new: Any) -> None:
    del schemas_of(new)["CrewDocument"]["properties"]["name"]["type"]


BREAKING = [
    (gone_path, "GET /api/v1/crews: is gone"),
    (gone_method, "POST /api/v1/crews: is gone"),
    (gone_member, "GET /api/v1/crews: answer 200.items[]: name is gone"),
    (other_type, "GET /api/v1/crews: answer 200.items[].name: may now be integer"),
    (may_be_null, "GET /api/v1/crews: answer 200.items[].name: may now be null"),
    (asked_for, "POST /api/v1/properties: body: address is asked for"),
    (no_longer_taken, "POST /api/v1/properties: body: access_note is no longer taken"),
    (shorter, "POST /api/v1/crews: body.name: maxLength is 10 now"),
    (fewer_words, "POST /api/v1/events: body.kind: no longer rain"),
    (more_words_in_answers, "GET /api/v1/jobs: answer 200.items[].state: may now be lost"),
    (new_parameter, "GET /api/v1/crews: parameter week is asked for"),
    (gone_parameter, "GET /api/v1/crews: parameter sort is gone"),
    (gone_answer, "POST /api/v1/crews: no longer answers 201"),
    (higher_minimum, "POST /api/v1/tokens: body.lifetime_days: minimum is 7 now"),
    (higher_minimum_of_parameter, "GET /api/v1/crews: parameter limit: minimum is 20 now"),
    (new_pattern, "POST /api/v1/crews: body.name: no longer of another pattern than ^[A-Z]"),
    (
        free_text_becomes_words,
        "POST /api/v1/crews: body.name: no longer any other than north, south",
    ),
    (more_items, "POST /api/v1/calls/{public_id}/as-left-answers: body.left: minItems is 2 now"),
    (body_asked_for, "PATCH /api/v1/crews/{public_id}: a body is asked for"),
    (other_media_type, "GET /api/v1/crews: answer 200: is no longer application/json"),
    (other_media_type_of_body, "POST /api/v1/crews: body: no longer application/json"),
    (
        words_become_free_text,
        (
            "GET /api/v1/jobs: answer 200.items[].state: may now be any other than "
            "queued, running, done, dead, cancelled"
        ),
    ),
    (other_format, "POST /api/v1/events: body.at: no longer of another format than date"),
    (
        other_format_of_answer,
        (
            "GET /api/v1/jobs: answer 200.items[].created_at: may now be of another format than "
            "date-time"
        ),
    ),
    (
        no_format_of_answer,
        (
            "GET /api/v1/jobs: answer 200.items[].created_at: may now be of another format than "
            "date-time"
        ),
    ),
    (never_null, "POST /api/v1/events: body.rain_mm: no longer null"),
    (option_of_answer, "GET /api/v1/calls: answer 200.items[].path: may now be string"),
    (
        one_type_for_any,
        "POST /api/v1/traces/{public_id}/observations: body.observation: no longer of any type",
    ),
    (
        no_other_members,
        (
            "POST /api/v1/traces/{public_id}/observations: body.observation: "
            "other members are no longer taken"
        ),
    ),
    (answer_of_any_type, "GET /api/v1/crews: answer 200.items[].name: may now be of any type"),
]


@pytest.mark.parametrize(
    ("change", "named"), BREAKING, ids=lambda one: getattr(one, "__name__", "")
)
def test_a_breaking_change_is_named(stored: Any, change: Change, named: str) -> None:
    new = copy.deepcopy(stored)
    change(new)
    assert named in breaking_changes(stored, new)


def test_what_is_added_breaks_nothing(stored: Any) -> None:
    new = copy.deepcopy(stored)
    schemas = new["components"]["schemas"]
    schemas["CrewDocument"]["properties"]["colour"] = {"type": "string"}
    schemas["CrewNew"]["properties"]["colour"] = {"type": "string"}
    schemas["CrewNew"]["properties"]["name"]["maxLength"] = 500
    schemas["TokenNew"]["properties"]["lifetime_days"] |= {"minimum": 0, "maximum": 999}
    schemas["AsLeftAnswersNew"]["properties"]["left"]["minItems"] = 0
    del schemas["EventNew"]["properties"]["at"]["format"]
    schemas["CrewDocument"]["properties"]["name"]["pattern"] = "^."
    schemas["CallDocument"]["properties"]["path"]["oneOf"].pop()
    crews = new["paths"]["/api/v1/crews"]
    crews["post"]["requestBody"]["required"] = False
    crews["get"]["responses"]["200"]["content"]["text/csv"] = {"schema": {"type": "string"}}
    new["paths"]["/api/v1/boats"] = new["paths"]["/api/v1/crews"]
    assert breaking_changes(stored, new) == []
