"""A day of crews: a draft changed with keys and by dragging, published, printed, gone through."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from tests.browser.conftest import DESK, PHONE, Served, Server, Visitor, follow, visiting
from tests.browser.test_supervisors_hour import seen

pytestmark = pytest.mark.slow

LAST = "Fern Close"


@pytest.fixture(params=[DESK, PHONE], ids=["desk", "phone"])
def supervisor(
    request: pytest.FixtureRequest, browser: Browser, served: Served, server: Server
) -> Iterator[Visitor]:
    number = server.ids["number"]
    server.ids.update(served.seeds(f"tests.browser.plan_seed.seed_plan({number})"))
    for visitor in visiting(browser, server, viewport=request.param, has_touch=True):
        visitor.sign_in("supervisor")
        yield visitor


def test_a_day_from_the_draft_to_what_became_of_it(supervisor: Visitor) -> None:
    page, ids = supervisor.page, supervisor.server.ids
    is_desk = (page.viewport_size or DESK)["width"] > 600
    supervisor.goes_to("/days")
    seen(supervisor, "days")
    days = page.get_by_role("list").get_by_role("link", name=", ")
    follow(days.or_(page.locator(f'a[href="/days/{ids["plan"]}"]')).first)
    expect(page.locator("main")).to_contain_text("skill diving")
    if is_desk:
        moved_with_keys(page)
        dragged(page)
    moved_with_the_form(supervisor)
    refused_with_why(page)
    follow(page.get_by_role("button", name="by hand back"))
    expect(page.locator("main")).to_contain_text("again as it was made")
    seen(supervisor, "day")
    follow(page.get_by_role("button", name="Publish this plan"))
    expect(page.locator("main")).to_contain_text("The plan holds")
    gone_through(supervisor)
    carded(supervisor)


ROWS = {"Ash crew": 0, "Oak crew": 1}


def blocks(page: Page, crew: str) -> Locator:
    return page.locator(".crew-row").nth(ROWS[crew]).locator(".block")


def order(page: Page, crew: str) -> list[str]:
    """Names of a crew's visits in the timeline."""
    return [one.get_attribute("data-label") or "" for one in blocks(page, crew).all()]


def moved_with_keys(page: Page) -> None:
    """Arrows say where, the server says at once what it would do, Enter does it."""
    before = {name: order(page, name) for name in ROWS}
    source = max(before, key=lambda name: len(before[name]))
    target = next(name for name in before if name != source)
    block = blocks(page, source).last
    name = before[source][-1]
    block.focus()
    page.keyboard.press("ArrowDown" if source == "Ash crew" else "ArrowUp")
    expect(page.locator("#move")).to_contain_text(f"Move {name}")
    for _ in range(len(before[target])):
        page.keyboard.press("ArrowLeft")
    expect(page.get_by_label("Where in its day")).to_have_value("")
    expect(page.locator("#move .note")).to_contain_text(f"{target} has it")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    expect(page.locator("main")).to_contain_text(": moved.")
    assert order(page, target)[0] == name
    assert name not in order(page, source)


def dragged(page: Page) -> None:
    """With a mouse: what is dropped is looked at, and done with the button alone."""
    crews = {name: order(page, name) for name in ROWS}
    source = max(crews, key=lambda name: len(crews[name]))
    target = next(name for name in crews if name != source)
    block = blocks(page, source).last
    row = page.locator(".crew-row").nth(ROWS[target])
    crew = row.get_attribute("data-crew") or ""
    box, line = (
        block.bounding_box(),
        page.locator(".timeline .shift").nth(ROWS[target]).bounding_box(),
    )
    assert box is not None
    assert line is not None
    page.mouse.move(box["x"] + 8, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(line["x"] + line["width"] - 12, line["y"] + line["height"] / 2, steps=8)
    page.mouse.up()
    expect(page.get_by_label("To which crew")).to_have_value(crew)
    assert {name: order(page, name) for name in crews} == crews, "nothing is done yet"
    page.keyboard.press("Escape")
    expect(page.locator("#move")).to_be_empty()


def moved_with_the_form(supervisor: Visitor) -> None:
    page = supervisor.page
    page.get_by_role("link", name="Move ").first.click()
    page.get_by_label("Where in its day").select_option("")
    page.get_by_role("button", name="See what it would do").click()
    expect(page.locator("#move .note")).to_contain_text("crew has it")
    seen(supervisor, "day-move")
    follow(page.get_by_role("button", name="Move it"))
    expect(page.locator("main")).to_contain_text(": moved.")


def refused_with_why(page: Page) -> None:
    waits = page.get_by_role("listitem").filter(has_text=LAST)
    waits.get_by_role("link", name="Give it a place").click()
    page.get_by_label("To which crew").select_option(label="Ash crew")
    page.get_by_role("button", name="See what it would do").click()
    expect(page.locator("#move [role=alert]")).to_contain_text("Ash crew lacks skill diving")
    expect(page.get_by_role("button", name="Move it")).to_have_count(0)


def gone_through(supervisor: Visitor) -> None:
    """The crew's day: read, printed, and what became of each visit."""
    page = supervisor.page
    follow(page.locator("h3 a").first)
    expect(page.locator("main")).to_contain_text("No tracing in thunder")
    expect(page.locator("main")).to_contain_text("watertight splice kit")
    page.get_by_text("Say how it went").first.click()
    follow(page.get_by_role("button", name="We are there").first)
    page.get_by_text("Say how it went").first.click()
    page.get_by_label("What was not aboard").first.fill("long shovel, AWG 14 cable")
    follow(page.get_by_role("button", name="Done"))
    expect(page.locator("main")).to_contain_text("Lacked: long shovel, AWG 14 cable.")
    seen(supervisor, "crew-day")
    page.emulate_media(media="print")
    expect(page.get_by_text("Say how it went").first).to_be_hidden()
    expect(page.locator(".caution").first).to_be_visible()
    page.emulate_media(media="screen")


def carded(supervisor: Visitor) -> None:
    """A crew's card: a wrong line is told, a right one is kept; a calendar's address is shown."""
    page = supervisor.page
    supervisor.goes_to("/days")
    follow(page.get_by_role("link", name="Yew crew"))
    page.get_by_label("Time zone").fill("Europe/Madrid")
    page.get_by_label("Base, degrees north").fill("40.42")
    page.get_by_label("Base, degrees east").fill("-3.7")
    page.get_by_label("Shifts").fill("monday to friday")
    follow(page.get_by_role("button", name="Keep this"))
    expect(page.locator("main")).to_contain_text("“monday to friday” cannot be read")
    page.get_by_label("Shifts").fill("mon-fri 07:30-16:00, rest 30 min 11:30-13:00")
    follow(page.get_by_role("button", name="Keep this"))
    expect(page.locator("main")).to_contain_text("Yew crew is planned with so.")
    follow(page.get_by_role("link", name="Yew crew"))
    expect(page.get_by_label("Shifts")).to_have_value(
        "mon-fri 07:30-16:00, rest 30 min 11:30-13:00"
    )
    follow(page.get_by_role("button", name="Give a new address"))
    expect(page.locator("main code")).to_contain_text("/calendars/")
    seen(supervisor, "crew-card")
    follow(page.get_by_role("button", name="End it"))
    expect(page.locator("main")).to_contain_text("answers no more")
