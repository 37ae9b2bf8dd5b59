"""Trouble stretches and looks, from the list to what a look showed, on a desk and on a phone."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.conftest import DESK, PHONE, Server, Visitor, follow, visiting
from tests.browser.test_pages import all_open, looked_over
from tests.browser.test_supervisors_hour import seen

pytestmark = pytest.mark.slow


@pytest.fixture(params=[DESK, PHONE], ids=["desk", "phone"])
def supervisor(
    request: pytest.FixtureRequest, browser: Browser, server: Server
) -> Iterator[Visitor]:
    for visitor in visiting(browser, server, viewport=request.param, has_touch=True):
        visitor.sign_in("supervisor")
        yield visitor


def test_from_the_list_to_what_a_look_showed(supervisor: Visitor) -> None:
    page = supervisor.page
    supervisor.goes_to("/trouble")
    seen(supervisor, "trouble")
    follow(page.get_by_role("link", name="Weir Garden: "))
    seen(supervisor, "trouble-flag")
    page.get_by_label("Why").fill("The crew looks at it on its next round")
    follow(page.get_by_role("button", name="Watch it"))
    expect(page.locator("main")).to_contain_text("It is watched now.")
    supervisor.goes_to("/inspections")
    expect(page.locator("main")).to_contain_text("Overdue")
    seen(supervisor, "inspections")
    follow(page.get_by_role("link", name="Weir Garden: ").first)
    seen(supervisor, "inspection")
    page.get_by_label("What it showed").select_option("sound")
    follow(page.get_by_role("button", name="Write it down"))
    expect(page.locator("main")).to_contain_text("It is written down.")
    expect(page.locator("h1")).to_contain_text("Done")
    supervisor.goes_to(f"/trouble/{supervisor.server.ids['flag']}")
    all_open(supervisor)
    page.get_by_label("Why").fill("The run was renewed")
    follow(page.get_by_role("button", name="Clear it"))
    expect(page.locator("main")).to_contain_text("It is cleared now.")


def test_rules_holidays_and_seasons(supervisor: Visitor) -> None:
    page = supervisor.page
    supervisor.goes_to("/inspections")
    follow(page.get_by_role("link", name="Rules, days without work, seasons"))
    page.get_by_label("Looks a week").fill("0")
    follow(page.get_by_role("button", name="Set the rules"))
    expect(page.locator("main")).to_contain_text("Not taken yet.")
    looked_over(supervisor)
    page.get_by_label("Looks a week").fill("6")
    page.get_by_label("Other paths").fill("15")
    page.get_by_label("Days without work").fill("2026-12-24 to 2027-01-01\n2027-05-01")
    follow(page.get_by_role("button", name="Set the rules"))
    expect(page.locator("main")).to_contain_text("The rules are set")
    seen(supervisor, "inspection-rules")
    follow(page.get_by_role("link", name="Weir Garden: ").first)
    page.get_by_label("Seasons").fill("2027-03-01 to 2027-10-31, as in other years")
    follow(page.get_by_role("button", name="Set the seasons"))
    expect(page.locator("main")).to_contain_text("The seasons are set.")
    seen(supervisor, "seasons")
