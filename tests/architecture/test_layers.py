"""The arrows between packages, checked by import-linter with the contracts of pyproject.toml."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.architecture.house import APPS, ROOT

LINT_IMPORTS = str(Path(sys.executable).with_name("lint-imports"))
PACKAGES = (
    *APPS,
    "sites/network",
    "sites/forms",
    "faults/tracing",
    "faults/rehearsal",
    "faults/recurrence",
    "faults/dispatch",
    "faults/restore",
    "faults/audit",
)


def lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [LINT_IMPORTS, "--config", "pyproject.toml", "--no-cache"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


def contracts() -> list[dict[str, object]]:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    found: list[dict[str, object]] = settings["tool"]["importlinter"]["contracts"]
    return found


def test_contracts_are_kept() -> None:
    ran = lint_imports(ROOT)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert f"Contracts: {len(contracts())} kept, 0 broken." in ran.stdout


@pytest.fixture
def small_house(tmp_path: Path) -> Path:
    """Empty packages of our names under the contracts of the project."""
    for package in (*PACKAGES, "faults/forms"):
        (tmp_path / package).mkdir()
        (tmp_path / package / "__init__.py").touch()
    # The contracts let this one module have dates, and it must be there for that.
    (tmp_path / "faults/dispatch/shifts.py").write_text("import datetime\n", encoding="utf-8")
    settings = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    start = settings.index("[tool.importlinter]")
    (tmp_path / "pyproject.toml").write_text(settings[start:], encoding="utf-8")
    return tmp_path


def test_an_empty_house_keeps_all_contracts(small_house: Path) -> None:
    ran = lint_imports(small_house)
    assert ran.returncode == 0, ran.stdout + ran.stderr


@pytest.mark.parametrize(
    ("module", "line", "broken"),
    [
        ("sites/late.py", "import faults.tracing", "layers"),
        ("core/late.py", "import sites", "layers"),
        ("faults/late.py", "import api", "layers"),
        ("sites/network/late.py", "import django", "pure"),
        ("faults/restore/late.py", "import django", "pure"),
        ("sites/network/late.py", "from datetime import datetime", "pure"),
        ("faults/tracing/late.py", "import sqlite3", "pure"),
        ("faults/rehearsal/late.py", "from pathlib import Path", "pure"),
        ("faults/recurrence/late.py", "import time", "pure"),
        ("faults/dispatch/late.py", "import datetime", "pure"),
        ("faults/tracing/late.py", "import faults.rehearsal", "truth"),
        ("sites/forms/late.py", "from django.db import models", "forms"),
    ],
)
def test_a_wrong_import_breaks_its_contract(
    small_house: Path, module: str, line: str, broken: str
) -> None:
    (small_house / module).write_text(f"{line}\n", encoding="utf-8")
    ran = lint_imports(small_house)
    name = next(str(contract["name"]) for contract in contracts() if contract["id"] == broken)
    assert ran.returncode != 0
    assert f"{name} BROKEN" in ran.stdout
