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
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, sync_playwright

from tests.architecture.house import ROOT
from tests.browser.seed import PASSWORD
from tests.services.servers import free_port, wait_until

CHROMIUM = "/usr/bin/chromium"
AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 900}
TOUCH_PX = 44
MOST_TESTS = 25
"""Contractors that are seeded, one for each test."""
_FLAGS = (
    "--no-sandbox --disable-gpu --no-first-run --disable-background-networking"
    " --disable-component-update --disable-sync"
).split()


Served = tuple[str, Iterator[dict[str, str]], Callable[..., str]]


@dataclass(frozen=True)
class Server:
    """Where it answers, the ids of what it was seeded with, and ``ran``, which runs a command of
    the product on its database and answers with what that printed."""

    address: str
    ids: dict[str, str]
    ran: Callable[..., str]


@pytest.fixture
def server(_served: Served) -> Server:
    """The pages as they are served, with a contractor that no other test has."""
    address, seeded, ran = _served
    return Server(address, next(seeded), ran)


@pytest.fixture(scope="session")
def _served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A server on a database in a file of its own, and the contractors in it."""
    tmp_path = tmp_path_factory.mktemp("served")
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

    def ran(*words: str) -> str:
        run = subprocess.run(
            [sys.executable, *words],
            cwd=ROOT,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )
        assert run.returncode == 0, run.stderr
        return run.stdout

    ran("manage.py", "migrate", "--verbosity", "0")
    seeding = f"from tests.browser.seed import seed_all; seed_all({MOST_TESTS})"
    seeded = json.loads(ran("manage.py", "shell", "--no-imports", "-c", seeding))
    bind = f"127.0.0.1:{free_port()}"
    words = ["-m", "gunicorn", "core.wsgi:application", "--worker-class", "gthread"]
    words += ["--threads", "8", "--bind", bind]
    with (tmp_path / "log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, *words], cwd=ROOT, env=environment, stdout=log, stderr=log
        )
    try:
        wait_until(lambda: _answers(f"http://{bind}/livez"), "the server answers")
        yield f"http://{bind}", iter(seeded), ran
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
        self.page.get_by_role("button", name="Sign in").click()
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
