"""A supervisor's hour on a desk: from a report by hand to the closed call, page by page.

With ``CLAMPLINE_SCREENS`` set to a folder, pictures of the pages are put there.
"""

from __future__ import annotations

import datetime as dt
import os
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.conftest import DESK, PHONE, Server, Visitor, follow, visiting
from tests.browser.test_pages import all_open, looked_over

pytestmark = pytest.mark.slow

NAME = "Weir Garden: North lawn"


@pytest.fixture(params=[DESK, PHONE], ids=["desk", "phone"])
def supervisor(
    request: pytest.FixtureRequest, browser: Browser, server: Server
) -> Iterator[Visitor]:
    for visitor in visiting(browser, server, viewport=request.param, has_touch=True):
        visitor.sign_in("supervisor")
        yield visitor


def seen(visitor: Visitor, name: str) -> None:
    """Look a page over, and keep its picture where that is asked for."""
    all_open(visitor)
    looked_over(visitor)
    folder = os.environ.get("CLAMPLINE_SCREENS", "")
    if folder:
        size = visitor.page.viewport_size or DESK
        screen = "phone" if size["width"] < 600 else "desk"
        file = Path(folder) / f"{name}-{screen}-light.png"
        visitor.page.screenshot(path=str(file), full_page=True)


def test_the_supervisors_hour(supervisor: Visitor) -> None:
    for part in (
        reported,
        given,
        rules_set,
        waiting_and_woken,
        partly_restored,
        repaired,
        return_tested,
        closed,
    ):
        part(supervisor)
    supervisor.goes_to("/board")
    expect(supervisor.page.locator("main")).not_to_contain_text(NAME)


def call_of(supervisor: Visitor) -> str:
    return f"/calls/{supervisor.server.ids['call']}"


def reported(supervisor: Visitor) -> None:
    """A gardener rings: it is the fault that the controller has reported already."""
    page, ids = supervisor.page, supervisor.server.ids
    supervisor.goes_to(f"/properties/{ids['property']}")
    follow(page.get_by_role("link", name="Take a report in by hand"))
    page.get_by_label("What is wrong").select_option("overcurrent")
    page.get_by_label("Where, as far as it is known").select_option(ids["path"])
    page.get_by_label("Stations without water").fill("1-3")
    page.get_by_label("Whom to ring on the way").fill("the gate house")
    page.get_by_label("After rain").check()
    seen(supervisor, "report")
    follow(page.get_by_role("button", name="Take it in"))
    page.wait_for_url(f"**{call_of(supervisor)}")
    expect(page.locator("dl.figures")).to_contain_text("the gate house")


def given(supervisor: Visitor) -> None:
    """To a technician, from the board."""
    page = supervisor.page
    follow(page.get_by_role("link", name="Board").first)
    row = page.locator("ol.board > li").filter(has_text=NAME)
    expect(row).to_have_count(1)
    row.get_by_label("Who has it").select_option(label="Ada Kestrel")
    follow(row.get_by_role("button", name="Give Weir Garden to them"))
    expect(page.get_by_role("status").first).to_contain_text("Ada Kestrel")
    seen(supervisor, "board")


def rules_set(supervisor: Visitor) -> None:
    """What an hour costs, which wants a currency."""
    page = supervisor.page
    follow(page.get_by_role("link", name="Rules for work"))
    page.get_by_label("An hour of work costs").fill("64,50")
    follow(page.get_by_role("button", name="Set the rules"))
    expect(page.locator("#id_currency_error")).to_contain_text("money wants a currency")
    looked_over(supervisor)
    page.get_by_label("Currency", exact=False).first.fill("eur")
    follow(page.get_by_role("button", name="Set the rules"))
    expect(page.get_by_role("status").first).to_contain_text("The rules are set.")
    seen(supervisor, "work-rules")
    follow(page.get_by_role("link", name="Board").last)


def waiting_and_woken(supervisor: Visitor) -> None:
    """It waits for parts, which come early."""
    page = supervisor.page
    row = page.locator("ol.board > li").filter(has_text=NAME)
    follow(row.get_by_role("link", name="Let it wait"))
    page.get_by_label("It waits for").select_option("parts")
    until = dt.datetime.now(tz=dt.UTC).date() + dt.timedelta(days=5)
    page.get_by_label("Until which day").fill(until.isoformat())
    page.get_by_label("In a few words").fill("gel connectors are ordered")
    seen(supervisor, "hand-on")
    follow(page.get_by_role("button", name="Let it wait"))
    row = page.locator("ol.board > li").filter(has_text=NAME)
    expect(row).to_contain_text("gel connectors are ordered")
    follow(row.get_by_role("link", name="Wake it"))
    page.get_by_label("What changed").fill("they came early")
    follow(page.get_by_role("button", name="Wake it now"))
    expect(page.locator("ol.board > li").filter(has_text=NAME)).not_to_contain_text("until")


def partly_restored(supervisor: Visitor) -> None:
    """The technician rang: the splice at B74 is it. The rest waters meanwhile."""
    page, call = supervisor.page, call_of(supervisor)
    supervisor.goes_to(f"{call}/restore")
    expect(page.locator("main")).to_contain_text("no suspect lies on the path")
    page.get_by_label("Which place").select_option("splice:B74")
    follow(page.get_by_role("button", name="Propose"))
    expect(page.locator("section.way h2")).to_have_text("Leave off the splice at box B74")
    expect(page.locator("section.way")).to_contain_text("proved dead at the terminals")
    seen(supervisor, "restore")
    follow(page.get_by_role("button", name="It is done: the rest waters"))
    page.wait_for_url(f"**{call}")
    expect(page.locator("dl.figures")).to_contain_text("Partly restored")
    expect(page.locator("main")).to_contain_text("Out of the path")
    follow(page.get_by_role("link", name="See the path drawn"))
    expect(page.locator("main")).to_contain_text("Out of the path")


def repaired(supervisor: Visitor) -> None:
    """The repair is written down and all is back on."""
    page, call = supervisor.page, call_of(supervisor)
    supervisor.goes_to(call)
    all_open(supervisor)
    page.get_by_label("To", exact=False).first.select_option("planned")
    follow(page.get_by_role("button", name="Move the call"))
    follow(page.get_by_role("button", name="Begin the repair"))
    follow(page.get_by_role("link", name="Write the repair down"))
    page.get_by_label("What was done").select_option("splice")
    page.get_by_label("Where").select_option("splice:B74")
    page.get_by_label("Minutes").fill("40")
    page.get_by_label("Splices made").fill("3")
    seen(supervisor, "repair")
    follow(page.get_by_role("button", name="Write the repair down"))
    page.wait_for_url("**/repairs/rep_*")
    seen(supervisor, "repair-done")
    supervisor.goes_to(call)
    follow(page.get_by_role("button", name="All is back on"))
    page.wait_for_url(f"**{call}/left")
    for answer in page.get_by_label("What becomes of it").all():
        answer.select_option("restored")
    seen(supervisor, "left")
    follow(page.get_by_role("button", name="Keep what is said"))


def return_tested(supervisor: Visitor) -> None:
    """Each leg reads as it should."""
    page = supervisor.page
    supervisor.goes_to(call_of(supervisor))
    follow(page.get_by_role("button", name="Begin the return test"))
    follow(page.get_by_role("link", name="Make the return test"))
    for leg in page.locator("fieldset.leg").all():
        low, high = re.findall(r"\d+", leg.locator(".should b").first.inner_text())
        leg.get_by_label("Current at the controller, mA").fill(f"{(int(low) + int(high)) / 2:.0f}")
    page.get_by_label("Watched without a message, minutes").fill("6")
    page.get_by_label("The series coil is out").check()
    seen(supervisor, "return-test")
    follow(page.get_by_role("button", name="Keep the return test"))


def closed(supervisor: Visitor) -> None:
    """On the return test, and its story to print."""
    page, call = supervisor.page, call_of(supervisor)
    supervisor.goes_to(f"{call}/close")
    expect(page.locator("main")).to_contain_text("which passed")
    page.get_by_label("Outcome").select_option("repaired")
    page.get_by_label("What it came to").fill("the splice at B74 was wet")
    seen(supervisor, "close")
    follow(page.get_by_role("button", name="Close the call"))
    page.wait_for_url(f"**{call}")
    expect(page.locator(".state")).to_contain_text("Closed")
    seen(supervisor, "story")
    supervisor.goes_to(f"{call}/hand-over")
    seen(supervisor, "hand-over")
