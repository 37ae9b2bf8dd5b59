"""A survey taken in on a page: its defects, what it would change, the import; on a phone."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.conftest import PHONE, Server, Visitor, follow, visiting
from tests.browser.test_supervisors_hour import seen

pytestmark = pytest.mark.slow


@pytest.fixture
def supervisor(browser: Browser, server: Server) -> Iterator[Visitor]:
    for visitor in visiting(browser, server, viewport=PHONE, has_touch=True):
        visitor.sign_in("supervisor")
        yield visitor


def test_a_newer_survey_is_looked_at_and_taken_in(supervisor: Visitor, tmp_path: Path) -> None:
    page, path = supervisor.page, supervisor.server.ids["path"]
    supervisor.goes_to(f"/paths/{path}/survey")
    seen(supervisor, "survey")
    address = f"{supervisor.server.address}/api/v1/wire-paths/{path}/survey"
    survey = json.loads(page.request.get(address).text())
    file = tmp_path / "survey.json"
    survey["path"]["trip_ma"] = 900
    for far, told in (("far", "/nodes/1/x_m"), (12.5, "where the controller trips")):
        survey["nodes"][1]["x_m"] = far
        file.write_text(json.dumps(survey))
        page.locator("input[type=file]").set_input_files(file)
        follow(page.get_by_role("button", name="Look what it would change"))
        expect(page.locator("main")).to_contain_text(told)
        seen(supervisor, "survey-looked-at")
    follow(page.get_by_role("button", name="Import it"))
    expect(page.locator("main")).to_contain_text("The survey is taken in as revision 2.")
