"""The contractor's own figures over HTTP."""

from __future__ import annotations

import datetime as dt

from core.clock import as_of, now
from tests.api.asking import Asker


def test_work_rules_are_read_and_set_whole(machine: Asker) -> None:
    there = machine.get("/work-rules")
    assert (there.json()["fold_hours"], there.json()["hour_money"]) == (336, None)
    body = {"fold_hours": 6, "currency": "EUR", "hour_money": "64.50"}
    assert machine.put("/work-rules", body).status_code == 428
    told = machine.put("/work-rules", body, If_Match=there["ETag"])
    assert (told.status_code, told.json()["hour_money"]) == (200, "64.50")
    assert (told.json()["fold_hours"], told.json()["soak_by_days"]) == (6, 14)
    assert machine.get("/work-rules").json() == told.json()
    assert machine.put("/work-rules", body, If_Match=there["ETag"]).status_code == 412
    wrong = machine.put("/work-rules", {"soak_by_days": 3}, If_Match=told["ETag"])
    assert wrong.status_code == 422
    assert [one["pointer"] for one in wrong.json()["errors"]] == ["/soak_by_days"]


def test_the_window_that_is_set_decides_what_is_one_call(machine: Asker) -> None:
    place = machine.post("/properties", {"name": "Meadow Court", "time_zone": "UTC"}).json()["id"]
    body = {"property": place, "kind": "other", "fold": True}
    with as_of(now() - dt.timedelta(hours=2)):
        first = machine.post("/calls", body).json()["id"]
    tag = machine.get("/work-rules")["ETag"]
    assert machine.put("/work-rules", {"fold_hours": 1}, If_Match=tag).status_code == 200
    second = machine.post("/calls", body).json()["id"]
    assert first != second
    tag = machine.get("/work-rules")["ETag"]
    assert machine.put("/work-rules", {"fold_hours": 6}, If_Match=tag).status_code == 200
    assert machine.post("/calls", body).json()["id"] in (first, second)


def test_no_window_at_all_is_refused_for_every_message_would_be_late(machine: Asker) -> None:
    tag = machine.get("/work-rules")["ETag"]
    wrong = machine.put("/work-rules", {"fold_hours": 0}, If_Match=tag)
    assert wrong.status_code == 422
    assert [one["pointer"] for one in wrong.json()["errors"]] == ["/fold_hours"]
