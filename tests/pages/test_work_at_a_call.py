"""A call from the report to the hand-over, form by form."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from core.accounts.actor import Actor
from core.models import Person
from faults.models import (
    CallReport,
    FaultCall,
    PartialRestore,
    Photo,
    Repair,
    ReturnTest,
    SoakCheck,
)
from faults.pages.return_tests import shown_expectations
from faults.selectors import partial_restores as reading
from faults.services import partial_restores as writing
from faults.services.photos import MOST_BYTES
from faults.services.repairs import repair_record
from sites.models import WirePath
from tests.faults.transactions import transactions_at
from tests.pages.conftest import entered, posted_fields, text_of
from tests.repairs.field import REMADE, moved, opened, path_with_stations, repaired
from tests.repairs.test_photos_and_parts import picture


@pytest.fixture
def path(by: Actor) -> WirePath:
    return path_with_stations(by)


@pytest.fixture
def call(path: WirePath, by: Actor) -> FaultCall:
    return opened(by, path)


def fresh(call: FaultCall) -> FaultCall:
    return FaultCall.objects.get(pk=call.pk)


def test_a_report_is_taken_in_once_and_the_next_is_counted(browser: Client, path: WirePath) -> None:
    address = f"/properties/{path.controller.property.public_id}/report"
    form = browser.get(address).context["form"]
    fields = {
        "asked_at": form["asked_at"].value(),
        "kind": "stations",
        "where": path.public_id,
        "urgency": "urgent",
        "dry_stations": "1, three",
        "contact": "<the> gardener",
        "promised_by": "2030-04-01T09:00",
        "after_rain": "on",
    }
    refused = browser.post(address, fields)
    assert refused.status_code == 422
    assert 'id="id_dry_stations_error"' in refused.content.decode()
    assert 'value="&lt;the&gt; gardener"' in refused.content.decode()
    fields["dry_stations"] = "1, 3-4"
    first, second = browser.post(address, fields), browser.post(address, fields)
    call = FaultCall.objects.get()
    assert first["Location"] == second["Location"] == f"/calls/{call.public_id}"
    assert (CallReport.objects.count(), call.dry_stations, call.after_rain) == (1, [1, 3, 4], True)
    assert call.promised_by is not None
    assert call.promised_by.isoformat() == "2030-04-01T07:00:00+00:00"
    browser.post(address, fields | {"asked_at": "", "note": "again"})
    assert fresh(call).reports == 2


def test_a_photo_that_is_too_large_is_told_by_its_size(
    browser: Client, call: FaultCall, by: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    for state in ("planned", "repairing"):
        moved(call, state, by)
    repair = repair_record(call=fresh(call), details=REMADE, by=by)
    monkeypatch.setattr("faults.pages.repairs.photo_digest", None)
    sent = SimpleUploadedFile("a.jpg", b"\x00" * (MOST_BYTES + 1))
    fields = {"content": sent, "moment": "repair"}
    answer = browser.post(f"/repairs/{repair.public_id}/photo", fields)
    assert answer.status_code == 413
    assert f"send at most {MOST_BYTES}" in text_of(answer)


def test_a_repair_its_photo_the_test_and_closing(
    browser: Client, call: FaultCall, path: WirePath, by: Actor, settings: Any, tmp_path: Path
) -> None:
    settings.MEDIA_ROOT = str(tmp_path)
    where = f"/calls/{call.public_id}"
    moved(call, "planned", by)
    browser.post(
        f"{where}/move", posted_fields(browser.get(where), "/move") | {"to": "repairing", "why": ""}
    )
    page = browser.get(f"{where}/repair")
    in_order(text_of(page), "locked off and tagged", "live from the far side")
    asked = page.context["form"]["asked_at"].value()
    fields = {"asked_at": asked, "kind": "splice", "at_place": "device:D5", "minutes": "4,500"}
    fields |= {"part_2": "gel connector", "count_2": "0"}
    assert "without a comma" in text_of(browser.post(f"{where}/repair", fields))
    missing = browser.post(f"{where}/repair", fields | {"minutes": ""})
    assert "This is missing; right: fill it in" in text_of(missing)
    fields["minutes"] = "45"
    refused = browser.post(f"{where}/repair", fields)
    assert 'id="id_count_2_error"' in refused.content.decode()
    fields["count_2"] = "2"
    first, second = (browser.post(f"{where}/repair", fields) for _ in range(2))
    repair = Repair.objects.get()
    assert first["Location"] == second["Location"] == f"/repairs/{repair.public_id}"
    photo = f"/repairs/{repair.public_id}/photo"
    for content, status in ((b"no picture", 422), (picture(), 302), (picture(), 302)):
        photo_answered(browser, photo, content, status)
    kept = Photo.objects.get()
    shown = browser.get(f"/photos/{kept.public_id}")
    assert (shown.content, shown["Content-Disposition"]) == (picture(), "inline")
    assert "sandbox" in shown["Content-Security-Policy"]
    moved(call, "return-testing", by)
    fields = {"quiet_min": "6", "coil_out": "on"}
    for n, leg in enumerate(shown_expectations(path).legs):
        fields[f"current_ma_{n}"] = f"{(leg.low_ma * leg.high_ma) ** 0.5:.1f}"
        fields[f"far_v_{n}"] = "24"
    page = browser.get(f"{where}/return-test")
    fields["asked_at"] = page.context["form"]["asked_at"].value()
    for words in ("Should read", "V or more", "1 or more", "kept, not judged"):
        assert words in text_of(page)
    # What is read with the power on is not asked for before its cautions are told.
    in_order(text_of(page), "locked off and tagged", "jaw goes around insulation", "Should read")
    for _ in range(2):
        assert browser.post(f"{where}/return-test", fields).status_code == 302
    assert ReturnTest.objects.get().passed, ReturnTest.objects.get().failures
    said = posted_fields(browser.get(where), "/move") | {"outcome": "repaired", "why": "holds"}
    for _ in range(2):
        assert browser.post(f"{where}/close", said)["Location"] == where
    assert (fresh(call).state, fresh(call).closing_test) == ("closed", ReturnTest.objects.get())
    _, _, story = text_of(browser.get(where)).partition("Its story")
    in_order(story, "Planned", "Repair: splice made anew", "Return test passed", "Closed")


def photo_answered(browser: Client, address: str, content: bytes, status: int) -> None:
    sent = {"content": SimpleUploadedFile("a.jpg", content), "moment": "repair"}
    answer = browser.post(address, sent)
    assert answer.status_code == status
    assert ("has to be chosen again" in text_of(answer)) == (status == 422)


def in_order(text: str, *told: str) -> None:
    places = [text.index(one) for one in told]
    assert places == sorted(places)


def test_a_soak_check_is_written_down_with_its_readings(
    browser: Client, call: FaultCall, by: Actor
) -> None:
    repaired(call, by)
    where, check = f"/calls/{call.public_id}", SoakCheck.objects.get()
    said = {"check": check.public_id, "state": "held", "current_ma_0": "x", "wet": "yes"}
    assert browser.post(f"{where}/soak", said).status_code == 422
    said |= {"current_ma_0": "91", "insulation_mohm_0": "0.5", "meter": "clamp 2"}
    assert browser.post(f"{where}/soak", said).status_code == 302
    leg = check.legs.get()
    assert (leg.current_ma, leg.far_v, leg.insulation_mohm) == (91.0, None, 0.5)
    shown = text_of(browser.get(where))
    assert f"Leg {leg.leg}: 91 mA, 0.5 MΩ to earth" in shown
    assert f"Outside of what it should be: leg {leg.leg} has 0.5 MΩ to earth" in shown
    assert f"Outside: leg {leg.leg} has 0.5 MΩ to earth" in shown
    assert "The ground was wet; clamp 2" in shown


def test_a_part_is_left_off_and_asked_for_on_closing(browser: Client, call: FaultCall) -> None:
    where = f"/calls/{call.public_id}"
    page = browser.get(f"{where}/restore?place=device:D5")
    proposed = page.context["proposed"]
    assert proposed.stations_lost == (5,)
    assert "cap" in text_of(page).lower()
    fields = {"version": str(call.version)}
    address = f"{where}/restore?place=device:D5"
    nowhere = browser.post(f"{where}/restore?place=device:none", fields)
    assert nowhere.status_code == 422
    assert "no such place" in text_of(nowhere)
    for _ in range(2):
        assert browser.post(address, fields).status_code == 302
    restore = PartialRestore.objects.get()
    assert restore.stations_lost == list(proposed.stations_lost)
    assert restore.is_predicted
    assert fresh(call).partly_restored
    said = {"version": str(fresh(call).version), "outcome": "unproved", "why": "later"}
    refused = browser.post(f"{where}/close", said)
    assert refused.status_code == 422
    item = call.path.left_items.get()  # type: ignore[union-attr]
    assert f'id="id_left_{item.public_id}_error"' in refused.content.decode()
    assert "Out of the path: device D5" in text_of(browser.get(f"{where}/hand-over"))
    assert "Stations lost: 5." in text_of(browser.get(f"{where}/hand-over"))
    assert "Stations lost: 5" in text_of(browser.get(where))
    for name, is_told in (("N2", False), ("N99", True)):
        added = {"kind": "lid-up", "name": name}
        told = text_of(browser.post(f"{where}/left/add", added, follow=True))
        assert (f"“{name}” is not on the map" in told) == is_told
        assert f"Lid up or hole open at {name}" in told
    for lid in call.path.left_items.exclude(pk=item.pk):  # type: ignore[union-attr]
        said |= {f"left_{lid.public_id}": "restored"}
    nothing = browser.post(f"{where}/left", {f"left_{item.public_id}": ""})
    assert nothing.status_code == 422
    assert "Nothing is said yet" in text_of(nothing)
    said |= {f"left_{item.public_id}": "kept", f"left_why_{item.public_id}": "waits for parts"}
    assert browser.post(f"{where}/close", said).status_code == 302
    assert fresh(call).state == "closed"


@pytest.mark.django_db(transaction=True)
def test_what_to_leave_off_is_reckoned_outside_a_transaction(
    browser: Client, call: FaultCall, monkeypatch: pytest.MonkeyPatch
) -> None:
    reckoned = transactions_at(monkeypatch, reading, "smallest_part_off")
    kept = transactions_at(monkeypatch, writing, "change_record")
    address = f"/calls/{call.public_id}/restore?place=device:D5"
    assert browser.get(address).status_code == 200
    assert (reckoned, kept) == ([False], [])
    assert browser.post(address, {"version": str(call.version)}).status_code == 302
    assert (reckoned, kept) == ([False, False], [True])


def test_what_was_typed_into_a_refused_limit_or_decision_stays(
    browser: Client, call: FaultCall, supervisor: Person, by: Actor
) -> None:
    office = entered(supervisor)
    where = f"/calls/{call.public_id}"
    for state in ("planned", "repairing"):
        moved(call, state, by)
    repair_record(call=fresh(call), details=REMADE, by=by)
    said = {"minutes": "1,500", "money": "", "why": "as agreed by phone"}
    refused = office.post(f"{where}/limit", said)
    page = refused.content.decode()
    assert refused.status_code == 422
    assert 'name="minutes" inputmode="decimal" maxlength="20" value="1,500"' in page
    assert 'name="why" maxlength="500" value="as agreed by phone"' in page
    assert office.post(f"{where}/limit", said | {"minutes": "1"}).status_code == 302
    assert f"{where}/limit" not in browser.get(where).content.decode()
    refused = browser.post(f"{where}/stop", {"choice": "renew", "why": "w" * 501})
    assert refused.status_code == 422
    assert (
        f'id="stop-why" name="why" maxlength="500" value="{"w" * 501}"' in refused.content.decode()
    )
