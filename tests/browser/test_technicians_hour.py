"""A technician's hour at a path: from the call that was given to the crew to the closed one.

With ``CLAMPLINE_SCREENS`` set to a folder, pictures of the pages are put there.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import Browser, expect

from faults.forms.rehearsal import read_rehearsal
from sites.forms.load import load_document
from sites.network.solve import solve
from tests.browser.conftest import DESK, PHONE, Server, Visitor, follow, visiting
from tests.browser.field import Technician
from tests.browser.seed import CREW, REHEARSAL
from tests.browser.test_supervisors_hour import NAME, call_of, seen
from tests.repairs.test_photos_and_parts import picture

pytestmark = pytest.mark.slow

MADRID = ZoneInfo("Europe/Madrid")
MOST_STEPS = 80


@pytest.fixture(params=[PHONE, DESK], ids=["phone", "desk"])
def technician(
    request: pytest.FixtureRequest, browser: Browser, server: Server
) -> Iterator[Visitor]:
    for supervisor in visiting(browser, server, viewport=DESK):
        supervisor.sign_in("supervisor")
        given_to_the_crew(supervisor)
    for visitor in visiting(browser, server, viewport=request.param, has_touch=True):
        visitor.sign_in()
        yield visitor


def given_to_the_crew(supervisor: Visitor) -> None:
    supervisor.goes_to("/board")
    row = supervisor.page.locator("ol.board > li").filter(has_text=NAME)
    row.get_by_label("Who has it").select_option(label=CREW)
    follow(row.get_by_role("button", name="Give Weir Garden to them"))
    expect(supervisor.page.get_by_role("status").first).to_contain_text(f"{CREW} has it")


def test_the_technicians_hour(technician: Visitor) -> None:
    for part in (
        opened,
        traced,
        repaired,
        photographed,
        left_as_built,
        return_tested,
        closed,
    ):
        part(technician)


def opened(visitor: Visitor) -> None:
    """What is theirs stands first and says so."""
    page = visitor.page
    row = page.locator("ul.rows > li").first
    expect(row).to_contain_text("Yours")
    seen(visitor, "technician-calls")
    follow(row.get_by_role("link", name=NAME))
    page.wait_for_url(f"**{call_of(visitor)}")
    expect(page.locator("dl.figures")).to_contain_text(CREW)
    expect(page.locator("ol.telling")).to_contain_text(f"Given to {CREW}")
    expect(page.locator("button.main, a.button.main")).to_have_text(["Start the trace"])
    seen(visitor, "technician-call")


def traced(visitor: Visitor) -> None:
    """Each step as it is asked for, with what the ground answers, until the splice is proved."""
    page = visitor.page
    follow(page.get_by_role("button", name="Start the trace"))
    page.wait_for_url("**/traces/trc_*")
    technician = Technician(page)
    done: set[str] = set()
    for _ in range(MOST_STEPS):
        if page.locator("[aria-current=step]").inner_text() == "Done":
            break
        do = technician.question()["do"]
        if do not in done:
            done.add(do)
            seen(visitor, f"technician-trace-{do.replace('_', '-')}")
            page.reload()
        technician.answers()
    assert {"message", "power", "fit_coil", "reference", "clamp", "isolate", "restore"} <= done
    expect(page.get_by_role("heading", level=1)).to_have_text("Proved")
    expect(page.locator(".verdict.proved")).to_contain_text("The splice at box B74")
    seen(visitor, "technician-proved")
    for told in ("Power is off and proved dead", "The coil is out"):
        follow(page.get_by_role("button", name=told))
    follow(page.get_by_role("link", name="What it rests on"))
    expect(page.get_by_role("heading", level=1)).to_have_text("The splice at box B74")
    seen(visitor, "technician-finding")
    follow(page.get_by_role("link", name="Call", exact=True))
    expect(page.locator(".state")).to_have_text("Found: proved")


def repaired(visitor: Visitor) -> None:
    """The repair is the next thing, and its place is filled in from the proof."""
    page = visitor.page
    expect(page.locator("button.main, a.button.main")).to_have_text(["Begin the repair"])
    seen(visitor, "technician-found")
    follow(page.get_by_role("button", name="Begin the repair"))
    expect(page.locator("button.main, a.button.main")).to_have_text(["Write the repair down"])
    follow(page.get_by_role("link", name="Write the repair down"))
    expect(page.get_by_label("Where")).to_have_value("splice:B74")
    page.get_by_label("What was done").select_option("splice")
    page.get_by_label("Minutes of work").fill("35")
    page.get_by_label("Splices made").fill("3")
    page.get_by_label("Kind of splice").fill("gel-filled")
    page.get_by_label("Part that went in").first.fill("gel connector")
    page.get_by_label("How many").first.fill("6")
    page.get_by_label("In a few words").fill("the old gel had let water in")
    seen(visitor, "technician-repair")
    follow(page.get_by_role("button", name="Write the repair down"))
    page.wait_for_url("**/repairs/rep_*")
    expect(page.locator("dl.figures")).to_contain_text("6 × gel connector")


def photographed(visitor: Visitor) -> None:
    """A picture of it, and nothing that is none."""
    page = visitor.page
    photo = page.get_by_label("Photo", exact=False).first
    photo.set_input_files({"name": "a.jpg", "mimeType": "image/jpeg", "buffer": b"no picture"})
    follow(page.get_by_role("button", name="Add the photo"))
    expect(page.locator(".wrong").first).to_be_visible()
    made = picture(size=(320, 240))
    photo.set_input_files({"name": "b.jpg", "mimeType": "image/jpeg", "buffer": made})
    follow(page.get_by_role("button", name="Add the photo"))
    expect(page.locator("ul.photos li")).to_have_count(1)
    expect(page.locator("ul.photos img")).to_have_js_property("naturalWidth", 320)
    seen(visitor, "technician-repair-done")
    follow(page.get_by_role("link", name="Back to the call"))


def left_as_built(visitor: Visitor) -> None:
    """A lid that is up is told, asked for, and closed again."""
    page, call = visitor.page, call_of(visitor)
    follow(page.get_by_role("link", name="Say what becomes of it"))
    page.get_by_label("What is left").select_option("lid-up")
    page.get_by_label("Where, by the map’s names").fill("B10")
    follow(page.get_by_role("button", name="Add it"))
    expect(page.locator("ul.rows")).to_contain_text("Lid up or hole open at B10")
    seen(visitor, "technician-left")
    for answer in page.get_by_label("What becomes of it").all():
        answer.select_option("restored")
    follow(page.get_by_role("button", name="Keep what is said"))
    expect(page.locator("main")).to_contain_text("the path is as built")
    visitor.goes_to(call)


def return_tested(visitor: Visitor) -> None:
    """Every leg; one that is not read speaks against it."""
    page = visitor.page
    expect(page.locator("button.main, a.button.main")).to_have_text(["Begin the return test"])
    follow(page.get_by_role("button", name="Begin the return test"))
    for whole in (False, True):
        follow(page.get_by_role("link", name="Make the return test"))
        page.wait_for_url("**/return-test")
        for leg in page.locator("fieldset.leg").all()[0 if whole else 1 :]:
            name = leg.locator("legend").inner_text().removeprefix("Leg ")
            leg.get_by_label("Current at the controller, mA").fill(sound_ma(name))
        page.get_by_label("Watched without a message, minutes").fill("6")
        page.get_by_label("The series coil is out").check()
        if whole:
            seen(visitor, "technician-return-test")
        follow(page.get_by_role("button", name="Keep the return test"))
        told = "The return test passed" if whole else "did not pass: leg W1 was not read."
        expect(page.get_by_role("status").first).to_contain_text(told)
    expect(page.locator("button.main, a.button.main")).to_have_text(["Close the call"])
    seen(visitor, "technician-tested")


def sound_ma(leg: str) -> str:
    """What the path of the seed draws by a leg once nothing is wrong on it."""
    path = read_rehearsal(load_document(REHEARSAL)).survey
    return f"{solve(path).current_ma(path.controller.id, leg):.0f}"


def closed(visitor: Visitor) -> None:
    """On the return test. What is closed does not ask to be traced."""
    page, call = visitor.page, call_of(visitor)
    follow(page.get_by_role("link", name="Close the call"))
    expect(page.locator("main")).to_contain_text("which passed")
    page.get_by_label("Outcome").select_option("repaired")
    follow(page.get_by_role("button", name="Close the call"))
    expect(page.locator("#id_why_error")).to_be_visible()
    page.get_by_label("What it came to").fill("the splice at B74 was wet")
    seen(visitor, "technician-close")
    follow(page.get_by_role("button", name="Close the call"))
    page.wait_for_url(f"**{call}")
    expect(page.locator(".state")).to_have_text("Closed")
    expect(page.locator("button.main, a.button.main")).to_have_count(0)
    seen(visitor, "technician-closed")
    visitor.goes_to("/")
    expect(page.locator("main")).not_to_contain_text("North lawn")


def test_a_call_that_waits_is_woken_on_its_day(technician: Visitor) -> None:
    """The gate is locked: the call waits for a day, and not an hour longer."""
    page, call = technician.page, call_of(technician)
    # A day of each test's own: the schedule's slots are shared, and go forward only.
    days = 1 + int(technician.server.ids["number"])
    day = dt.datetime.now(MADRID).replace(hour=8, minute=0) + dt.timedelta(days=days)
    technician.goes_to(f"{call}/hand-on")
    for label in ("It waits for", "Until which day", "In a few words"):
        expect(page.locator("label").filter(has_text=label)).not_to_contain_text("may stay empty")
    follow(page.get_by_role("button", name="Let it wait"))
    wrong = page.locator("ul.wrong")
    expect(wrong).to_contain_text(["waits until a day", "wants a reason"])
    page.get_by_label("It waits for").select_option("access")
    page.get_by_label("Until which day").fill(day.date().isoformat())
    page.get_by_label("In a few words").fill("the gate is locked")
    follow(page.get_by_role("button", name="Let it wait"))
    expect(page.locator(".state")).to_have_text("Waiting")
    expect(page.locator("button.main, a.button.main")).to_have_text(["Wake it"])
    seen(technician, "technician-waiting")
    assert woken(technician, day - dt.timedelta(hours=9)) == []
    technician.goes_to(call)
    expect(page.locator(".state")).to_have_text("Waiting")
    assert woken(technician, day) == [1]
    technician.goes_to(call)
    expect(page.locator(".state")).to_have_text("Reported")
    expect(page.locator("button.main, a.button.main")).to_have_text(["Start the trace"])
    expect(page.locator("main .note")).to_have_count(0)
    expect(page.locator("ol.telling")).to_contain_text("woken: the day has come")
    seen(technician, "technician-woken")
    technician.goes_to("/board")
    row = page.locator("ol.board > li").filter(has_text=NAME)
    expect(row).not_to_contain_text("until")
    expect(row.get_by_role("link", name="Let it wait")).to_be_visible()


def woken(visitor: Visitor, moment: dt.datetime) -> list[int]:
    """How many calls each job woke that the schedule asked for then."""
    words = f"from tests.browser.days import wakes_at; wakes_at({moment.isoformat()!r})"
    told = json.loads(visitor.server.ran("manage.py", "shell", "--no-imports", "-c", words))
    assert told["ticked"] == ["calls.wake"]
    return list(told["woken"])
