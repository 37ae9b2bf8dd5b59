"""The audit in a browser: on a phone and on a desk, without script, looked over by axe."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.conftest import DESK, PHONE, Server, Visitor, follow, visiting
from tests.browser.test_pages import all_open, looked_over

pytestmark = pytest.mark.slow


@pytest.mark.parametrize(
    ("screen", "scheme"), [(PHONE, "light"), (DESK, "dark")], ids=["phone", "desk in the dark"]
)
def test_the_audit_is_asked_and_kept_and_set_on_paper(
    browser: Browser, server: Server, screen: dict[str, int], scheme: str
) -> None:
    for visitor in visiting(browser, server, viewport=screen, color_scheme=scheme):
        visitor.sign_in("auditor")
        page = visitor.page
        follow(page.get_by_role("link", name="Audit"))
        expect(page.get_by_role("heading", level=1)).to_have_text("Audit of repeat failures")
        all_open(visitor)
        looked_over(visitor)
        page.get_by_label("Window").select_option("90")
        page.get_by_label("The same place").select_option("very")
        follow(page.get_by_role("button", name="Show"))
        expect(page.locator(".asked")).to_contain_text("90 days")
        # Plots are drawn: each has a size of its own.
        for image in page.locator(".plot img").all():
            assert image.evaluate("one => one.complete && one.naturalWidth") > 100
        page.get_by_label("Keep this question as").fill("Ninety days")
        follow(page.get_by_role("button", name="Keep", exact=True))
        expect(page.get_by_role("status").first).to_contain_text("Kept as")
        all_open(visitor)
        expect(page.get_by_role("link", name="Ninety days")).to_be_visible()
        looked_over(visitor)
        follow(page.get_by_role("button", name=re.compile("Take off the list")))
        expect(page.get_by_role("status").first).to_contain_text("off the list")
        follow(page.get_by_role("button", name="Make a PDF"))
        expect(page.get_by_role("heading", level=1)).to_have_text("Audits on paper")
        expect(page.locator(".state").first).to_have_text("Queued")
        looked_over(visitor)


def test_the_audit_needs_no_script(browser: Browser, server: Server) -> None:
    for visitor in visiting(browser, server, viewport=PHONE, java_script_enabled=False):
        visitor.sign_in("auditor")
        visitor.goes_to("/audit")
        page = visitor.page
        page.get_by_label("Window").select_option("30")
        follow(page.get_by_role("button", name="Show"))
        expect(page.locator(".asked")).to_contain_text("30 days")
        page.get_by_label("Keep this question as").fill("Thirty days")
        follow(page.get_by_role("button", name="Keep", exact=True))
        expect(page.get_by_role("status").first).to_contain_text("Kept as")


def test_a_technician_is_not_shown_the_way(visitor: Visitor) -> None:
    visitor.sign_in()
    expect(visitor.page.get_by_role("link", name="Audit")).to_have_count(0)
    visitor.goes_to("/audit")
    expect(visitor.page.locator("main")).to_contain_text("supervisors, auditors and owners")
