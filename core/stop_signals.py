"""Being told to end."""

from __future__ import annotations

import signal
from collections.abc import Callable
from types import FrameType


def on_stop(stop: Callable[[], None]) -> None:
    """Call ``stop`` on SIGTERM and SIGINT instead of ending at once. For the main thread."""

    def told(_number: int, _frame: FrameType | None) -> None:
        stop()

    signal.signal(signal.SIGTERM, told)
    signal.signal(signal.SIGINT, told)
