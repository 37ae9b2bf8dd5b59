"""What is left on a path is told on every page that is about it."""

from __future__ import annotations

from django.urls import reverse

from core.accounts.actor import Role
from core.models import Contractor
from core.tenancy.scope import contractor_scope
from faults.left_words import left_words
from faults.models.as_left import LeftKind
from faults.services.as_left import LeftThing, as_left_add
from tests.conftest import person_of
from tests.faults.hunts import Hunt
from tests.pages.conftest import entered, text_of
from tests.pages.every_page import FORMS, POSTED, addresses

ABOUT_A_PATH = {
    *("property", "property-report", "path", "call", "call-hand-on", "call-repair", "call-part"),
    *("call-return-test", "call-restore", "call-left", "call-close", "call-hand-over"),
    *("repair", "part", "finding", "trouble-flag", "inspection", "trace-other"),
}
"""Beside these a trace tells its own rig, and what was left before it began."""


def test_pages_about_a_path_tell_what_is_left_on_it(ended: Hunt, contractor: Contractor) -> None:
    with contractor_scope(contractor.pk):
        item = as_left_add(call=ended.call, thing=LeftThing(LeftKind.LID_UP, "N2"), by=ended.by)
        ended.again()
    client = entered(person_of(contractor, Role.SUPERVISOR))
    told = set()
    for name, address in addresses(ended):
        if name in POSTED or name.endswith(("drawing", "photo")):
            continue
        answer = client.get(address)
        if answer.status_code == 200 and left_words(item) in text_of(answer):
            told.add(name)
    assert told >= ABOUT_A_PATH, ABOUT_A_PATH - told
    assert FORMS - {"call-restore"} <= told | {"trace-other"}
    shown = text_of(client.get(reverse("open-calls")))
    assert "left on paths right now" in shown
