"""Watching and clearing a flag: one way over HTTP, one on its page, for the same people."""

from __future__ import annotations

import pytest

from core.accounts.actor import Actor
from core.models import Person
from core.tenancy.scope import contractor_scope
from faults.models import FlagMove, TroubleFlag
from faults.recurrence.flag_renewal import flag_renewal
from tests.api.asking import signed_in
from tests.api.things import a_trouble_flag
from tests.pages.conftest import entered, text_of

WHY = "The crew looks at it in spring"


@pytest.fixture
def flag(by: Actor) -> TroubleFlag:
    return a_trouble_flag(by)


def life(flag: TroubleFlag) -> list[tuple[str, str, str]]:
    with contractor_scope(flag.contractor_id):
        moves = FlagMove.objects.filter(flag=flag).order_by("pk")
        return [(one.from_state, one.to_state, one.why) for one in moves]


def test_a_flag_moves_over_http_where_its_state_allows(
    flag: TroubleFlag, supervisor: Person
) -> None:
    asker, where = signed_in(supervisor), f"/trouble-flags/{flag.public_id}/moves"
    told = asker.get(f"/trouble-flags/{flag.public_id}")
    watched = asker.post(where, {"to": "watched", "why": WHY}, If_Match=told["ETag"])
    assert (watched.status_code, watched.json()["state"]) == (201, "watched")
    stale = asker.post(where, {"to": "cleared", "why": WHY}, If_Match=told["ETag"])
    assert stale.status_code == 412
    again = asker.post(where, {"to": "watched", "why": WHY}, If_Match=watched["ETag"])
    assert (again.status_code, again.json()["legal"]) == (409, ["cleared"])
    for body in ({"to": "raised", "why": WHY}, {"to": "cleared", "why": ""}, {"to": "cleared"}):
        assert asker.post(where, body, If_Match=watched["ETag"]).status_code == 422
    cleared = asker.post(where, {"to": "cleared", "why": "Renewed"}, If_Match=watched["ETag"])
    assert (cleared.status_code, cleared.json()["state"]) == (201, "cleared")
    over = asker.post(where, {"to": "watched", "why": WHY}, If_Match=cleared["ETag"])
    assert (over.status_code, over.json()["legal"]) == (409, [])
    assert life(flag) == [("raised", "watched", WHY), ("watched", "cleared", "Renewed")]


def test_repair_or_renew_stands_at_a_flag_with_its_limits(
    flag: TroubleFlag, supervisor: Person
) -> None:
    """The same on the page and over HTTP, and what the evidence gives."""
    facts = flag.evidence
    a_year = facts["expected"] * 365.25 / facts["energised_days"]
    right = flag_renewal(facts["failures"], facts["expected"], facts["spread"], a_year)
    told = signed_in(supervisor).get(f"/trouble-flags/{flag.public_id}").json()["renewal"]
    for name, values in (
        ("repairing", right.repairing),
        ("renewing", right.renewing),
        ("saved", right.saved),
    ):
        low, median, high = values
        assert told[f"failures_{name}"] == {"low": low, "median": median, "high": high}
        shown = f"{median:.1f} ({low:.1f} to {high:.1f})"
        assert shown in text_of(entered(supervisor).get(f"/trouble/{flag.public_id}"))
    assert [(one["price_repairs"], one["chance"]) for one in told["pays"]] == list(right.pays)
    with contractor_scope(flag.contractor_id):
        TroubleFlag.objects.filter(pk=flag.pk).update(evidence=facts | {"energised_days": 0.0})
    asker = signed_in(supervisor)
    assert asker.get(f"/trouble-flags/{flag.public_id}").json()["renewal"] is None
    assert "Repair or renew" not in text_of(entered(supervisor).get(f"/trouble/{flag.public_id}"))


def test_it_moves_on_its_page_and_sent_twice_it_moves_once(
    flag: TroubleFlag, supervisor: Person
) -> None:
    browser, page = entered(supervisor), f"/trouble/{flag.public_id}"
    assert b'value="watched"' in browser.get(page).content
    said = {"version": "1", "to": "watched", "why": WHY}
    for _ in range(2):
        assert browser.post(f"{page}/move", said).status_code == 302
    shown = browser.get(page)
    assert "It is watched now." in text_of(shown)
    assert b'value="watched"' not in shown.content
    assert b'value="cleared"' in shown.content
    for wrong in ({"to": "raised"}, {"to": ""}, {"why": ""}):
        assert browser.post(f"{page}/move", said | {"version": "2"} | wrong).status_code == 422
    assert browser.post(f"{page}/move", said | {"to": "cleared"}).status_code == 412
    assert browser.post(f"{page}/move", said | {"version": "2"}).status_code == 409
    assert browser.post(f"{page}/move", said | {"version": "2", "to": "cleared"}).status_code == 302
    assert b'value="cleared"' not in browser.get(page).content
    assert [to for _, to, _ in life(flag)] == ["watched", "cleared"]


def test_others_than_supervisors_and_owners_read_it_on_page_and_api_alike(
    flag: TroubleFlag, technician: Person, auditor: Person, owner: Person
) -> None:
    for person in (technician, auditor):
        browser, asker = entered(person), signed_in(person)
        assert b'value="cleared"' not in browser.get(f"/trouble/{flag.public_id}").content
        said = {"version": "1", "to": "cleared", "why": WHY}
        assert browser.post(f"/trouble/{flag.public_id}/move", said).status_code == 403
        where = f"/trouble-flags/{flag.public_id}/moves"
        assert asker.post(where, {"to": "cleared", "why": WHY}).status_code == 403
    assert life(flag) == []
    assert b'value="cleared"' in entered(owner).get(f"/trouble/{flag.public_id}").content
