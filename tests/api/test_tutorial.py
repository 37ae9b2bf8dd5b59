"""The tutorial is run as it stands: its blocks in a shell, against a server, and it says so."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from pytest_django.live_server_helper import LiveServer

from core.environment import handed_on
from core.models import Contractor
from tests.api.asking import Asker
from tests.architecture.house import ROOT

pytestmark = [pytest.mark.slow, pytest.mark.django_db(transaction=True)]

TUTORIAL = ROOT / "docs" / "tutorial.md"
BLOCK = re.compile(r"^```(sh|text)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
MARK = "--- end of block ---"


def blocks() -> list[tuple[str, str]]:
    """Each shell block, and what the page says that it prints."""
    found: list[tuple[str, str]] = []
    for kind, text in BLOCK.findall(TUTORIAL.read_text(encoding="utf-8")):
        if kind == "sh":
            found.append((text, ""))
        else:
            found[-1] = (found[-1][0], text)
    return found


def script(curl: str) -> str:
    """All blocks as one script, a mark after each."""
    parts = [f'curl() {{ {curl} "$@"; }}'] if curl else []
    parts += [f"{text}echo {shlex.quote(MARK)}" for text, _ in blocks()]
    return "set -euo pipefail\n" + "\n".join(parts)


@pytest.mark.parametrize("with_curl", [True, False], ids=["curl", "stand-in"])
def test_the_blocks_print_what_the_page_says(
    live_server: LiveServer, machine: Asker, contractor: Contractor, with_curl: bool
) -> None:
    if with_curl and shutil.which("curl") is None:
        pytest.skip("curl is not installed; the stand-in sends the same requests")
    stand_in = shlex.join([sys.executable, str(Path(__file__).with_name("curl_stand_in.py"))])
    ran = subprocess.run(
        ["bash", "-c", script("" if with_curl else stand_in)],
        cwd=ROOT,
        env=handed_on(SERVER=live_server.url, TOKEN=machine.token),
        capture_output=True,
        text=True,
        check=False,
        timeout=600,
    )
    assert ran.returncode == 0, ran.stderr + ran.stdout
    printed = [part.strip("\n") for part in ran.stdout.split(f"{MARK}\n")[:-1]]
    assert printed == [text.strip("\n") for _, text in blocks()]
    assert len(printed) == 10
