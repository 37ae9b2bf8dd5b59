"""One clock a page: that of its property, else of the contractor, named once."""

from __future__ import annotations

import datetime as dt
import re

from django.test import Client

from core.models import Contractor
from faults.models import FaultCall
from tests.faults.hunts import Hunt
from tests.pages.conftest import text_of
from tests.pages.every_page import POSTED, addresses

PICTURES = ("drawing", "photo", "look")


def zones_named(browser: Client, address: str) -> list[str]:
    return re.findall(r"by the clock of ([\w/]+)\.", text_of(browser.get(address, follow=True)))


def test_every_page_names_one_zone_and_none_says_utc(
    browser: Client, ended: Hunt, contractor: Contractor
) -> None:
    contractor.time_zone = "America/Denver"
    contractor.save()
    seen = set()
    for name, address in addresses(ended):
        if name in POSTED or name.endswith(PICTURES):
            continue
        answer = browser.get(address, follow=True)
        (zone,) = re.findall(r"by the clock of ([\w/]+)\.", text_of(answer))
        assert not re.search(r"\d UTC", text_of(answer)), name
        seen.add((name, zone))
    assert {("call", "Europe/Madrid"), ("path", "Europe/Madrid"), ("trace", "Europe/Madrid")} < seen
    assert {("board", "America/Denver"), ("open-calls", "America/Denver")} < seen


def test_a_list_of_several_properties_shows_the_hour_of_the_contractor(
    browser: Client, hunt: Hunt, contractor: Contractor
) -> None:
    contractor.time_zone = "America/Denver"
    contractor.save()
    opened = dt.datetime(2026, 3, 2, 8, 15, tzinfo=dt.UTC)
    FaultCall.objects.filter(pk=hunt.call.pk).update(opened_at=opened)
    assert "open since 2 Mar 2026, 01:15" in text_of(browser.get("/"))
    place = f"/properties/{hunt.call.property.public_id}"
    assert "open since 2 Mar 2026, 09:15" in text_of(browser.get(place))
    assert zones_named(browser, place) == ["Europe/Madrid"]


def test_an_hour_that_the_contractors_zone_leaves_out_is_read_by_the_property(
    browser: Client, hunt: Hunt, contractor: Contractor
) -> None:
    # 02:30 on 8 March 2026 is left out in Denver, and is an hour like others in Madrid.
    contractor.time_zone = "America/Denver"
    contractor.save()
    where = f"/properties/{hunt.call.property.public_id}"
    said = {"external_id": "page-1", "kind": "overcurrent", "at": "2026-03-08T02:30", "path": ""}
    answer = browser.post(where, said)
    assert "This is no time" not in text_of(answer)
    assert answer.status_code == 302
