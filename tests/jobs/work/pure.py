"""What children compute in the tests."""

from __future__ import annotations

import time
from typing import Any


def double(payload: dict[str, Any]) -> dict[str, Any]:
    return {"twice": 2 * payload["number"]}


def sleep(seconds: float) -> None:
    time.sleep(seconds)


def eat(_payload: None) -> int:
    held = []
    while True:
        held.append(bytearray(10_000_000))


def fail(_payload: None) -> None:
    raise ValueError("no such conductor")
