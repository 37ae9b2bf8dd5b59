"""The pages in a browser, on a phone and on a desk: used as people do, and looked over by axe."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.conftest import (
    DESK,
    PHONE,
    Server,
    Visitor,
    axe_findings,
    follow,
    too_small,
    visiting,
    wider_than_screen,
)
from tests.browser.field import Technician

pytestmark = pytest.mark.slow


def looked_over(visitor: Visitor) -> None:
    """Fails where axe finds something, a control is too small, or the page scrolls sideways."""
    assert not (found := axe_findings(visitor.page)), "\n".join(found)
    assert not (small := too_small(visitor.page)), "\n".join(small)
    assert wider_than_screen(visitor.page) <= 0, visitor.page.url


def all_open(visitor: Visitor) -> None:
    """Unfold what is folded, so that it is looked over too."""
    visitor.page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")


def test_a_reading_is_held_against_what_was_expected_while_it_is_typed(visitor: Visitor) -> None:
    at_first_clamp(visitor)
    page, fits = visitor.page, visitor.page.locator(".expected p.fits")
    low = float(page.locator(".expected li[data-low]").first.get_attribute("data-low") or "")
    field = page.get_by_label("Reading in mA")
    field.fill(f"{low + 1:.0f}")
    expect(fits).to_have_text("Fits the marked line.")
    expect(page.locator(".expected li.fits")).to_have_count(1)
    field.fill("5555")
    expect(fits).to_contain_text("Fits none of these")
    field.fill("1,200")
    expect(fits).to_have_text("")
    follow(page.get_by_role("button", name="Keep the reading"))
    expect(page.locator("#id_current_ma_error")).to_contain_text("without a comma")
    expect(page.get_by_label("Reading in mA")).to_have_value("1,200")
    looked_over(visitor)


def at_first_clamp(visitor: Visitor) -> Technician:
    """Signed in, and the trace at its first wire."""
    visitor.sign_in()
    visitor.goes_to(f"/calls/{visitor.server.ids['call']}")
    follow(visitor.page.get_by_role("button", name="Start the trace"))
    visitor.page.wait_for_url("**/traces/trc_*")
    technician = Technician(visitor.page)
    while technician.question()["do"] != "clamp":
        technician.answers()
    return technician


def test_an_answer_is_undone_and_a_place_left_out(visitor: Visitor) -> None:
    technician = at_first_clamp(visitor)
    page = visitor.page
    asked = technician.question()
    page.get_by_label("Reading in mA").fill("3000")
    follow(page.get_by_role("button", name="Keep the reading"))
    # More than the source can send through the coil: asked about once more.
    looked_over(visitor)
    page.get_by_label("Really: it reads so").check()
    follow(page.get_by_role("button", name="Keep the reading"))
    follow(page.get_by_role("button", name="Undo: 3000 mA"))
    expect(page.get_by_role("status").first).to_contain_text("taken back")
    assert technician.question() == asked
    expect(page.locator(".story .struck")).to_have_count(1)
    technician.answers()
    node = technician.question()["node"]
    page.get_by_text("Cannot be done here").click()
    page.get_by_label("Why?").fill("flooded")
    follow(page.get_by_role("button", name=f"Go on without {node}"))
    expect(page.locator(".story")).to_contain_text("not possible: flooded")
    assert technician.question().get("node") != node
    all_open(visitor)
    looked_over(visitor)


def test_a_button_that_is_touched_twice_sends_once(visitor: Visitor) -> None:
    at_first_clamp(visitor)
    page = visitor.page
    before = page.locator(".story > li").count()
    sent: list[str] = []
    page.on("request", lambda request: sent.append(request.method))
    page.get_by_label("Reading in mA").fill("250")
    touch = "one.click()"
    page.locator("form.answer button.main").evaluate(f"one => {{ {touch}; {touch} }}")
    expect(page.locator(".story > li")).to_have_count(before + 1)
    assert sent.count("POST") == 1


def test_everything_is_reached_by_the_keyboard(visitor: Visitor) -> None:
    visitor.sign_in()
    page = visitor.page
    page.keyboard.press("Tab")
    expect(page.locator(":focus")).to_have_text("To the content")
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    expect(page.locator(":focus")).to_contain_text("Weir Garden")
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"


@pytest.fixture(
    params=[(PHONE, "light"), (PHONE, "dark"), (DESK, "light"), (DESK, "dark")],
    ids=["phone-light", "phone-dark", "desk-light", "desk-dark"],
)
def looker(request: pytest.FixtureRequest, browser: Browser, server: Server) -> Iterator[Visitor]:
    size, scheme = request.param
    yield from visiting(browser, server, viewport=size, color_scheme=scheme, has_touch=True)


def test_axe_finds_nothing_on_any_page(looker: Visitor) -> None:
    ids = looker.server.ids
    looker.goes_to("/sign-in")
    looked_over(looker)
    looker.page.get_by_label("Sign-in name").fill("nobody")
    looker.page.get_by_label("Password").fill("not-the-password")
    follow(looker.page.get_by_role("button", name="Sign in"))
    expect(looker.page.get_by_role("alert")).to_be_visible()
    looked_over(looker)
    looker.sign_in()
    own = (f"/properties/{ids['property']}", f"/paths/{ids['path']}", f"/calls/{ids['call']}")
    for address in ("/", "/properties", "/properties?name=nothing", "/password", *own, "/nowhere"):
        looker.goes_to(address)
        all_open(looker)
        looked_over(looker)
    looker.goes_to(f"/calls/{ids['call']}")
    follow(looker.page.get_by_role("button", name="Start the trace"))
    looker.page.wait_for_url("**/traces/trc_*")
    trace = looker.page.url.removeprefix(looker.server.address)
    for address in (trace, f"{trace}/other", f"{trace}/other?node=B5", f"{trace}/other?node=Q"):
        looker.goes_to(address)
        all_open(looker)
        looked_over(looker)


def test_without_script_a_trace_goes_on_all_the_same(browser: Browser, server: Server) -> None:
    for visitor in visiting(browser, server, viewport=PHONE, java_script_enabled=False):
        technician = at_first_clamp(visitor)
        asked = technician.question()
        technician.answers()
        assert technician.question() != asked


def test_large_text_and_narrow_screens_do_not_cut_anything_off(
    browser: Browser, server: Server
) -> None:
    """WCAG 2.2, 1.4.10: 320 pixels wide, which a page enlarged fourfold on a desk also has."""
    for visitor in visiting(browser, server, viewport={"width": 320, "height": 640}):
        at_first_clamp(visitor)
        assert wider_than_screen(visitor.page) <= 0
        for address in (
            "/",
            f"/properties/{server.ids['property']}",
            f"/paths/{server.ids['path']}",
        ):
            visitor.goes_to(address)
            assert wider_than_screen(visitor.page) <= 0, address


def test_the_looks_over_a_page_see_what_is_wrong(visitor: Visitor) -> None:
    """They would prove nothing if they could not fail."""
    visitor.sign_in()
    looked_over(visitor)
    visitor.page.evaluate(
        """() => {
            document.querySelector("main").innerHTML += "<input><div class=wide>wide</div>";
            const sheet = new CSSStyleSheet();
            sheet.replaceSync(".wide { width: 900px } main > input { all: initial !important }");
            document.adoptedStyleSheets = [sheet];
        }"""
    )
    assert any("label" in one for one in axe_findings(visitor.page))
    assert any("<input" in one for one in too_small(visitor.page))
    assert wider_than_screen(visitor.page) > 0
