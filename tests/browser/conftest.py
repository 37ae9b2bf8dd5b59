"""A server of the tests' own, a browser, and checks of what the browser shows."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.error import URLError
from urllib.request import urlopen

import pytest
from playwright.sync_api import (
    Browser,
    BrowserContext,
    ConsoleMessage,
    Locator,
    Page,
    sync_playwright,
)

from tests.architecture.house import ROOT
from tests.browser.seed import PASSWORD
from tests.services.servers import free_port, wait_until

CHROMIUM = "/usr/bin/chromium"
AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 900}
TOUCH_PX = 44
SEEDED_AT_ONCE = 4
"""Contractors that are seeded together, one for each test."""
_FLAGS = (
    "--no-sandbox --disable-gpu --no-first-run --disable-background-networking"
    " --disable-component-update --disable-sync"
).split()


@dataclass(frozen=True)
class Server:
    """Where it answers, the ids of what it was seeded with, and ``ran``, which runs a command of
    the product on its database and answers with what that printed."""

    address: str
    ids: dict[str, str]
    ran: Callable[..., str]


@dataclass
class Served:
    """A server on a database in a file of its own, and the contractors that are free in it."""

    address: str
    environment: dict[str, str]
    free: list[dict[str, str]] = field(default_factory=list)
    seeded: int = 0

    def ran(self, *words: str) -> str:
        """What a command of the product says, on the server's database."""
        run = subprocess.run(
            [sys.executable, *words],
            cwd=ROOT,
            env=self.environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=600,
        )
        assert run.returncode == 0, run.stderr
        return run.stdout

    def seeds(self, call: str) -> Any:
        """What a function of the seeds prints."""
        module = call.partition("(")[0].rpartition(".")[0]
        words = f"import {module}; {call}"
        return json.loads(self.ran("manage.py", "shell", "--no-imports", "-c", words))

    def next_ids(self) -> dict[str, str]:
        """Those of a contractor that no other test has."""
        if not self.free:
            first = self.seeded + 1
            self.free = self.seeds(f"tests.browser.seed.seed_all({first}, {SEEDED_AT_ONCE})")
            self.seeded += SEEDED_AT_ONCE
        return self.free.pop(0)


@pytest.fixture
def server(served: Served) -> Server:
    """The pages as they are served, with a contractor that no other test has."""
    return Server(served.address, served.next_ids(), served.ran)


@pytest.fixture(scope="session")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The server of this process's tests."""
    tmp_path = tmp_path_factory.mktemp("served")
    bind = f"127.0.0.1:{free_port()}"
    environment = {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "core.settings.embedded",
        "CLAMPLINE_SECRET_KEY": "for tests only",
        "CLAMPLINE_SQLITE_FILE": str(tmp_path / "clampline.sqlite3"),
        "CLAMPLINE_MEDIA_FOLDER": str(tmp_path / "media"),
        "DATABASE_URL": "",
        "REDIS_URL": "",
        "OPENBLAS_NUM_THREADS": "1",
    }
    made = Served(f"http://{bind}", environment)
    made.ran("manage.py", "migrate", "--verbosity", "0")
    words = ["-m", "gunicorn", "core.wsgi:application", "--worker-class", "gthread"]
    words += ["--threads", "8", "--bind", bind]
    with (tmp_path / "log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, *words], cwd=ROOT, env=environment, stdout=log, stderr=log
        )
    try:
        wait_until(lambda: _answers(f"{made.address}/livez"), "the server answers")
        yield made
    finally:
        process.terminate()
        process.wait(30)


def _answers(address: str) -> bool:
    try:
        with urlopen(address, timeout=5) as answer:
            return bool(answer.status == 200)
    except (URLError, OSError):
        return False


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium."""
    assert Path(CHROMIUM).exists(), "Chromium is not installed: .ci/debian-packages chromium"
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=_FLAGS)
        yield started
        started.close()


@dataclass
class Visitor:
    """Somebody at a screen. ``complaints`` is what the browser wrote of errors and policies."""

    context: BrowserContext
    page: Page
    server: Server
    complaints: list[str] = field(default_factory=list)

    def sign_in(self, name: str = "technician") -> None:
        self.page.goto(f"{self.server.address}/sign-in")
        self.page.get_by_label("Sign-in name").fill(f"{name}-{self.server.ids['number']}")
        self.page.get_by_label("Password").fill(PASSWORD)
        follow(self.page.get_by_role("button", name="Sign in"))
        self.page.wait_for_url(f"{self.server.address}/")

    def goes_to(self, path: str) -> None:
        self.page.goto(f"{self.server.address}{path}")


@pytest.fixture
def visitor(browser: Browser, server: Server) -> Iterator[Visitor]:
    """A phone."""
    yield from visiting(browser, server, viewport=PHONE, has_touch=True)


def visiting(browser: Browser, server: Server, **options: Any) -> Iterator[Visitor]:
    context = browser.new_context(**options)
    context.set_default_timeout(20_000)
    page = context.new_page()
    visitor = Visitor(context, page, server)

    def hear(message: ConsoleMessage) -> None:
        # A refused form is answered with its status, which the browser calls an error.
        if message.type == "error" and "status of 4" not in message.text:
            visitor.complaints.append(message.text)

    page.on("console", hear)
    page.on("pageerror", lambda error: visitor.complaints.append(str(error)))
    yield visitor
    context.close()
    assert not visitor.complaints, "\n".join(visitor.complaints)


def follow(target: Locator) -> None:
    """Click, and wait until the page that it leads to is loaded.

    A click alone returns at once: what is asked next without waiting would be asked of the page
    that is left.
    """
    with target.page.expect_navigation():
        target.click()


def axe_findings(page: Page) -> list[str]:
    """What axe finds against WCAG 2.2 AA and good practice on a page as it is shown."""
    assert AXE.exists(), "axe-core is not installed: make browser"
    # Evaluated, not added as a script: the policy of the page forbids that, rightly.
    page.evaluate(AXE.read_text(encoding="utf-8"))
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    found = page.evaluate("tags => axe.run({runOnly: tags})", tags)
    return [
        f"{page.url} {rule['id']} ({rule['impact']}): {node['target']} {node['html'][:160]}"
        for rule in found["violations"]
        for node in rule["nodes"]
    ]


def too_small(page: Page) -> list[str]:
    """Controls smaller than a finger needs; links within a sentence are text."""
    return list(
        page.evaluate(
            """least => [...document.querySelectorAll(
                 "button, select, summary, input:not([type=hidden]), a.button, a.go, nav a")]
               .filter(one => one.checkVisibility())
               .map(one => [one.outerHTML.slice(0, 120), one.getBoundingClientRect()])
               .filter(([, box]) => box.height < least || box.width < least)
               .map(([html, box]) => `${box.width} x ${box.height}: ${html}`)
            """,
            TOUCH_PX,
        )
    )


def wider_than_screen(page: Page) -> int:
    """By how many pixels the page scrolls sideways."""
    return int(page.evaluate("document.documentElement.scrollWidth - window.innerWidth"))
