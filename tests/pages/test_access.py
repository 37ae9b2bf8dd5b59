"""Every page, walked from the table of addresses: nobody, an auditor, and another contractor."""

from __future__ import annotations

import re

import pytest
from django.test import Client
from django.urls import get_resolver, resolve, reverse

from api.policy import rule_for
from core.accounts.actor import Role
from core.models import Contractor, Person
from core.pages.access import OFFICE
from core.tenancy.scope import contractor_scope
from faults.models import Observation
from faults.models import Trace as TraceRow
from faults.pages.audit_urls import urlpatterns as audit_pages
from tests.conftest import person_of
from tests.faults.hunts import Hunt
from tests.pages.conftest import Entering, entered, text_of
from tests.pages.every_page import (
    BOTH,
    DOES,
    FORMS,
    NAMES,
    OF_NOBODY,
    OF_ONESELF,
    OWNERS,
    POSTED,
    WITHOUT_SESSION,
    addresses,
)

pytestmark = pytest.mark.slow


def test_the_walk_sees_every_page() -> None:
    assert len(NAMES) == len(set(NAMES)) >= 16
    assert {*POSTED, *BOTH, *OF_NOBODY} <= set(NAMES)
    assert set(DOES) == POSTED | BOTH
    routed = {key for key in get_resolver().reverse_dict if isinstance(key, str)}
    own = {"livez"} | WITHOUT_SESSION | OF_ONESELF
    # The audit is for some roles alone, and has a walk of its own.
    assert routed == own | set(NAMES) | {str(page.name) for page in audit_pages}


def test_nobody_is_sent_to_sign_in(ended: Hunt) -> None:
    client = Client()
    for name, address in addresses(ended):
        methods = [client.post] if name in POSTED else [client.get]
        for method in [*methods, *([client.post] if name in BOTH else [])]:
            answer = method(address)
            assert answer.status_code == 302, name
            assert answer["Location"].startswith("/sign-in?next="), name
            lost = "what you just sent was not kept" in text_of(client.get("/sign-in"))
            assert lost == (method == client.post), name


def test_everyone_of_the_contractor_reads_and_no_cache_keeps_it(
    ended: Hunt, technician: Person, supervisor: Person, auditor: Person, owner: Person
) -> None:
    for person in (technician, supervisor, auditor, owner):
        client = entered(person)
        for name, address in addresses(ended):
            if name in POSTED:
                assert client.get(address).status_code == 405, name
            elif (name in FORMS and person is auditor) or (name in OWNERS and person is not owner):
                assert client.get(address).status_code == 403, name
            else:
                answer = client.get(address)
                assert answer.status_code == 200, name
                assert "no-store" in answer["Cache-Control"], name


@pytest.mark.parametrize("role", Role)
def test_a_page_takes_a_form_from_those_whom_the_api_lets_do_it(
    ended: Hunt, contractor: Contractor, role: Role
) -> None:
    client = entered(person_of(contractor, role, f"Walker {role}"))
    for name, address in addresses(ended):
        status = client.post(address, {"version": "1"}).status_code
        if name not in DOES:
            assert status == 405, f"{name} takes a form, and the table does not know it"
            continue
        rule = rule_for(*DOES[name])
        assert rule is not None
        assert (status == 403) == (role not in rule.roles), (name, status)
        assert status < 500


@pytest.mark.parametrize("role", Role)
def test_a_form_is_shown_to_those_from_whom_it_is_taken(
    ended: Hunt, contractor: Contractor, role: Role
) -> None:
    client = entered(person_of(contractor, role, f"Reader {role}"))
    seen: set[str] = set()
    for name, address in addresses(ended):
        if name in POSTED:
            continue
        page = client.get(address).content.decode(errors="replace")
        for form in re.findall(r"<form[^>]*>", page):
            if 'method="post"' not in form:
                continue
            action = re.search(r'action="([^"?]+)', form)
            takes = str(resolve(action[1]).url_name) if action else name
            if takes != "sign-out":
                seen.add(takes)
                rule = rule_for(*DOES[takes])
                assert rule is not None
                assert role in rule.roles, (name, takes)
    assert bool(seen) == (role != Role.AUDITOR)
    assert ("call-limit" in seen) == (role in OFFICE)


def test_an_auditor_changes_nothing(ended: Hunt, auditor: Person, enter: Entering) -> None:
    client = enter(auditor)
    seen = Observation.objects.count(), TraceRow.objects.count(), ended.call.version
    for name, address in addresses(ended):
        if name in POSTED | BOTH:
            answer = client.post(address, {"why": "x", "version": "1"})
            assert answer.status_code == 403, name
            assert "nothing was changed" in text_of(answer)
    ended.again()
    assert (Observation.objects.count(), TraceRow.objects.count(), ended.call.version) == seen
    page = client.get(reverse("trace", args=[ended.trace.public_id])).content.decode()
    assert page.count("<form") == 1, "the button to sign out is the only form of an auditor"


def test_somebody_without_a_role_sees_nothing(ended: Hunt, contractor: Contractor) -> None:
    person = person_of(contractor, Role.AUDITOR, "Nina")
    with contractor_scope(contractor.pk):
        person.is_auditor = False
        person.save()
    client = entered(person)
    for name, address in addresses(ended):
        answer = client.post(address) if name in POSTED else client.get(address)
        assert answer.status_code == 403, name


def test_what_belongs_to_another_contractor_is_not_there(
    ended: Hunt, other_contractor: Contractor
) -> None:
    client = entered(person_of(other_contractor, Role.OWNER))
    names = {ended.call.property.name, ended.trace.path.label}
    for name, address in addresses(ended):
        answer = client.post(address) if name in POSTED else client.get(address)
        assert answer.status_code == (200 if name in OF_NOBODY else 404), name
        if name in BOTH - OF_NOBODY:
            assert client.post(address).status_code == 404, name
        assert not [one for one in names if one in text_of(answer)], name


def test_a_page_that_is_not_there_looks_like_one_of_ours(browser: Client) -> None:
    for address in ("/nowhere", "/calls/call_00000000000000000000000000"):
        answer = browser.get(address)
        assert answer.status_code == 404
        assert "Not found" in text_of(answer)
        assert b"Sign out" in answer.content


def test_pages_keep_the_policy_that_forbids_foreign_scripts(browser: Client, ended: Hunt) -> None:
    for name, address in addresses(ended):
        if name in POSTED:
            continue
        answer = browser.get(address)
        policy = answer["Content-Security-Policy"]
        assert "default-src 'none'" in policy, name
        assert "unsafe" not in policy, name
        if not name.endswith(("drawing", "photo")):
            page = answer.content.decode()
            assert "<style" not in page, name
            assert " style=" not in page, name
            assert " on" + "click" not in page, name
