"""The page of sound records: kept once, rises told, what does not fit said at its field."""

from __future__ import annotations

import pytest

from core.accounts.actor import Actor
from core.models import Person
from faults.models import ReturnTest, SoundRecord
from faults.services.sound_records import LegSound, sound_known, sound_record
from sites.models import WirePath
from tests.faults.places import path_at_new_place
from tests.pages.conftest import entered, posted_fields, text_of
from tests.repairs.field import opened, repaired, return_test


@pytest.fixture
def path(by: Actor) -> WirePath:
    return path_at_new_place(by)


def test_readings_are_kept_once_and_a_rise_is_told(path: WirePath, technician: Person) -> None:
    browser, address = entered(technician), f"/paths/{path.public_id}/sound"
    page = browser.get(address)
    assert "Leg S1" in text_of(page)
    assert "a test voltage ruins it" in text_of(page)
    sent = posted_fields(page, "/sound") | {"source": "start-up", "current_ma_0": "70", "wet": "no"}
    for _ in range(2):
        assert browser.post(address, sent).status_code == 302
    assert SoundRecord.objects.count() == 1
    assert "70 mA" in text_of(browser.get(address))
    again = posted_fields(browser.get(address), "/sound") | {
        "source": "inspection",
        "current_ma_0": "140",
    }
    shown = text_of(browser.post(address, again, follow=True))
    assert "Leg S1 draws more than when it was known sound: 140 mA, 70 mA" in shown


def test_a_rise_at_a_return_test_is_told_and_stays_in_the_story(
    path: WirePath, by: Actor, technician: Person
) -> None:
    call = opened(by, path)
    repaired(call, by)
    test = return_test(call, by)
    browser, where = entered(technician), f"/calls/{call.public_id}"
    told = "Leg S1 draws more than when it was known sound"
    assert told not in text_of(browser.get(where))
    legs = {leg.leg: leg.current_ma for leg in test.legs.all()}
    page = browser.get(f"{where}/return-test")
    fields = {
        "asked_at": page.context["form"]["asked_at"].value(),
        "quiet_min": "6",
        "coil_out": "on",
        "wet": "no",
        "current_ma_0": f"{legs['S1'] * 1.14:.1f}",
        "current_ma_1": f"{legs['S7']:.1f}",
    }
    for _ in range(2):
        shown = text_of(browser.post(f"{where}/return-test", fields, follow=True))
        assert shown.index(told) < shown.index("Its story") < shown.rindex(told)
    shown = text_of(browser.get(where))
    assert shown.count(told) == 1
    assert ReturnTest.objects.count() == 2


def test_what_does_not_fit_is_said_at_its_field_and_stays(
    path: WirePath, technician: Person, auditor: Person
) -> None:
    browser, address = entered(technician), f"/paths/{path.public_id}/sound"
    base = posted_fields(browser.get(address), "/sound") | {"source": "start-up"}
    for typed in ("70,500", "9" * 12):
        refused = browser.post(address, base | {"current_ma_0": typed})
        assert refused.status_code == 422
        assert typed in refused.content.decode()
    assert "Nothing was read" in text_of(browser.post(address, base))
    assert not SoundRecord.objects.exists()
    assert "Keep the readings" not in text_of(entered(auditor).get(address))


def test_a_trace_starts_from_the_newest_record_with_a_current(path: WirePath, by: Actor) -> None:
    sound_record(path=path, source="start-up", legs=[LegSound("S1", current_ma=70.0)], by=by)
    sound_record(path=path, source="inspection", legs=[LegSound("S1", insulation_mohm=5.0)], by=by)
    (known,) = sound_known(path, ["S1"])
    assert known["current_ma"] == 70.0
