"""Counting what somebody asks for in a window of time, in the cache.

Where the cache does not answer nothing is counted, for a counter is no reason to stop work; nor is
it asked again for some seconds, so that a server that hangs holds up one request and not all.
"""

from __future__ import annotations

import logging
import time

from django.core.cache import cache

log = logging.getLogger("core.counting")

AWAY_S = 5.0
"""So long a cache that did not answer is left alone."""

_away_until_s = 0.0


def count_in_window(name: str, window_s: int, *, by: int = 1) -> tuple[int, int]:
    """Count ``by`` more under a name: how many there are in this window, and its seconds left.

    Windows lie side by side from the epoch on; each starts at 0.
    """
    window, into_s = divmod(time.time(), window_s)
    left_s = max(1, round(window_s - into_s))
    key = f"{name}:{int(window)}"
    global _away_until_s  # noqa: PLW0603 - what one request saw spares the others of this process
    if time.monotonic() < _away_until_s:
        return 0, left_s
    try:
        cache.add(key, 0, timeout=2 * window_s)
        return cache.incr(key, by), left_s
    except Exception as away:  # noqa: BLE001 - whatever a cache raises, work goes on
        _away_until_s = time.monotonic() + AWAY_S
        log.warning("requests are not counted, the cache does not answer: %s", away)
        return 0, left_s
