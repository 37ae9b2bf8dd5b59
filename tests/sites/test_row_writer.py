from __future__ import annotations

from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction

from core.accounts.actor import Actor
from core.clock import now
from core.models import Contractor
from core.tenancy.scope import ScopeMissingError, contractor_scope, everywhere
from sites.models import Controller, Device, WirePath
from sites.services.path_imports import path_import
from sites.services.row_writer import rows_insert
from tests.sites.surveys import straight_survey

ROW: dict[str, Any] = {
    "code": "D9",
    "place": 9,
    "node_code": "N1",
    "kind": "decoder",
    "draw_ma": 2,
    "outputs": 2.0,
    "stations": [1, 2],
    "model_name": "quoted ' \" \\ % Ω",
}


@pytest.fixture
def path(controller: Controller, by: Actor) -> WirePath:
    made = path_import(controller=controller, survey=straight_survey(1), by=by).path
    assert made is not None
    return made


def shared(path: WirePath) -> dict[str, Any]:
    return {"path_id": path.pk, "from_revision": 1, "known_at": now()}


def test_a_row_reads_as_if_the_model_had_saved_it(path: WirePath) -> None:
    given = shared(path)
    rows_insert(Device, [ROW], given)
    written = Device.objects.get(code="D9")
    saved = Device(**ROW | {"code": "D10"}, **given)
    saved.save()
    saved = Device.objects.get(code="D10")
    own = {"id", "code", "public_id", "_state"}
    assert {name: value for name, value in vars(written).items() if name not in own} == {
        name: value for name, value in vars(saved).items() if name not in own
    }
    assert written.public_id.startswith("dev_")
    assert (written.power_factor, written.model, written.to_revision) == (None, "", None)


@pytest.mark.slow
def test_more_rows_than_go_at_once_are_all_written(path: WirePath) -> None:
    rows = [ROW | {"code": f"X{at}", "place": float(at)} for at in range(10_003)]
    rows_insert(Device, rows, shared(path))
    found = Device.objects.filter(code__startswith="X").order_by("place")
    assert [row.code for row in found] == [f"X{at}" for at in range(10_003)]
    assert len({row.public_id for row in found}) == 10_003


def test_a_second_live_row_of_a_code_is_refused(path: WirePath) -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        rows_insert(Device, [ROW | {"code": "D1"}], shared(path) | {"from_revision": 2})


def test_rows_are_written_in_a_contractors_scope_alone(
    path: WirePath, other_contractor: Contractor
) -> None:
    with everywhere(reason="no contractor is chosen"), pytest.raises(ScopeMissingError):
        rows_insert(Device, [ROW], shared(path))
    with contractor_scope(other_contractor.pk), pytest.raises(IntegrityError):
        insert_and_look(path)


def insert_and_look(path: WirePath) -> None:
    """PostgreSQL looks at keys between tables when the transaction ends, or when asked."""
    with transaction.atomic():
        rows_insert(Device, [ROW], shared(path))
        connection.check_constraints()
