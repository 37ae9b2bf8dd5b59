"""The values from outside the project that the circuit engine is held to."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

_FILE = Path(__file__).parent.parent / "data" / "checks_network.json"


def expected(check_id: str) -> dict[str, Any]:
    """The expected values of one check; its source stands beside them in the file."""
    return _check(check_id)["expected"]


def inputs(check_id: str) -> dict[str, Any]:
    """The inputs of one check."""
    return _check(check_id)["inputs"]


def _check(check_id: str) -> dict[str, Any]:
    rows = json.loads(_FILE.read_text(encoding="utf-8"))
    return next(row for row in rows if row["id"] == check_id)
