"""Published and computed values with their sources, from ``tests/data/checks_recurrence.json``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

_FILE = Path(__file__).parents[1] / "data" / "checks_recurrence.json"
CHECKS: dict[str, dict[str, Any]] = {
    check["id"]: check for check in json.loads(_FILE.read_text(encoding="utf-8"))
}
CASE_STUDY: list[float] = [float(time) for time in CHECKS["C1"]["inputs"]["times"]]
CASE_STUDY_END = float(CHECKS["C1"]["inputs"]["T"])
PUMP_FAILURES: list[int] = CHECKS["C3"]["inputs"]["s"]
PUMP_HOURS: list[float] = CHECKS["C3"]["inputs"]["t"]
