"""The only place that reads the time; tests move it with a time library."""

from __future__ import annotations

import datetime as dt


def now() -> dt.datetime:
    """The present, in UTC."""
    return dt.datetime.now(dt.UTC)
