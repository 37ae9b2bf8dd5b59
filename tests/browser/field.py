"""A simulated ground that answers the page of a trace as a technician would."""

from __future__ import annotations

import json
from typing import Any

from playwright.sync_api import Page

from demo.simulated_ground import asked
from faults.forms.observation import observation_document
from faults.forms.rehearsal import read_rehearsal
from faults.rehearsal.field import Field
from sites.forms.load import load_document
from tests.browser.conftest import follow
from tests.browser.seed import REHEARSAL

Document = dict[str, Any]


class Technician:
    """Reads what the page asks, does it on the ground, and writes the answer down."""

    def __init__(self, page: Page) -> None:
        self._page = page
        self._field = Field(read_rehearsal(load_document(REHEARSAL)))

    def question(self) -> Document:
        """What the page asks for."""
        text = self._page.locator("form.answer input[name=asked]").first.input_value()
        return dict(json.loads(text))

    def reading(self) -> Document:
        """What comes of it on the ground."""
        question = self.question()
        step = asked({"step": 1, "stage": "following", **question})
        return observation_document(self._field.answer(step))

    def answers(self) -> Document:
        """Do one step and send its answer."""
        told = self.reading()
        self.writes(told)
        return told

    def writes(self, told: Document) -> None:
        """Write an answer into the page and send it."""
        page = self._page
        form = page.locator("form.answer").first
        if told["do"] == "cannot":
            page.get_by_text("Cannot be done here").click()
            page.get_by_label("Why?").fill(told.get("why", ""))
            form = page.locator("form[action$=cannot]")
        elif "readings" in told:
            for one in told["readings"]:
                page.get_by_label(f"Tag {one['tag']}, mA", exact=False).fill(
                    f"{one['current_ma']:g}"
                )
        elif "current_ma" in told:
            page.get_by_label("Reading in mA").fill(f"{told['current_ma']:g}")
            if told.get("cables_seen") is not None and page.get_by_text("Counted the").count():
                page.get_by_text("Counted the cables there?").click()
                page.get_by_label("Cables and leads counted there").fill(str(told["cables_seen"]))
        if "shown" in told:
            name = "Message shown" if told["shown"] else "No message"
            button = form.get_by_role("button", name=name)
        else:
            button = form.get_by_role("button").first
        follow(button)
