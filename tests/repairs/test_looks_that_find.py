"""A follow-up look that shows a fault is a report: it opens a call or joins the open one."""

from __future__ import annotations

import pytest

from core.accounts.actor import Actor
from core.clock import now
from core.problems import IllegalMove, Stale
from faults.models import CallReport, FaultCall, Inspection
from faults.pages.story import call_story
from faults.selectors.trouble import inspection_get
from faults.services.inspection_ends import inspection_done
from sites.models import WirePath
from tests.faults.places import path_at_new_place
from tests.repairs.field import opened


def a_look(path: WirePath) -> Inspection:
    return Inspection.objects.create(
        property=path.controller.property,
        path=path,
        number=1,
        due_on=now().date(),
        chance=0.2,
        created_at=now(),
    )


def ended(look: Inspection, result: str, by: Actor, note: str = "") -> Inspection:
    found = inspection_get(look.public_id)
    return inspection_done(look=found, result=result, note=note, version=found.version, by=by)


def test_a_fault_opens_a_call_that_tells_of_the_look(by: Actor) -> None:
    look = a_look(path_at_new_place(by))
    done = ended(look, "fault", by, "splice at N2 is green inside")
    call = FaultCall.objects.get()
    assert (done.call, call.path, call.kind, call.state) == (call, look.path, "other", "reported")
    assert call.note == "A follow-up look showed a fault: splice at N2 is green inside"
    (told,) = [one for one in call_story(call) if one.sort == "look"]
    assert (told.text, told.url) == (look_note(done), f"/inspections/{look.public_id}")


def look_note(look: Inspection) -> str:
    return Inspection.objects.get(pk=look.pk).note


def test_a_fault_joins_the_call_that_is_open_on_the_path(by: Actor) -> None:
    path = path_at_new_place(by)
    call = opened(by, path)
    done = ended(a_look(path), "fault", by)
    assert done.call == FaultCall.objects.get() == call
    call.refresh_from_db()
    assert call.reports == 1
    assert CallReport.objects.get().said["note"] == "A follow-up look showed a fault"


@pytest.mark.parametrize("result", ["sound", "worn"])
def test_a_look_without_a_fault_opens_nothing(by: Actor, result: str) -> None:
    assert ended(a_look(path_at_new_place(by)), result, by).call is None
    assert not FaultCall.objects.exists()


def test_a_look_that_is_refused_reports_nothing(by: Actor) -> None:
    look = a_look(path_at_new_place(by))
    with pytest.raises(Stale):
        inspection_done(look=look, result="fault", version=7, by=by)
    assert not FaultCall.objects.exists()
    ended(look, "sound", by)
    with pytest.raises(IllegalMove):
        ended(look, "fault", by)
    assert not FaultCall.objects.exists()


def test_on_a_path_that_has_ended_nothing_is_reported(by: Actor) -> None:
    path = path_at_new_place(by)
    look = a_look(path)
    WirePath.objects.filter(pk=path.pk).update(ended_at=now())
    assert ended(look, "fault", by).call is None
    assert not FaultCall.objects.exists()
