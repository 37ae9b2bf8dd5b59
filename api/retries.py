"""Trying a transaction again that lost against another."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from typing import TypeVar

from django.db import Error, transaction

from api.database_errors import is_passing

TRIES = 3
_LONGEST_PAUSE_S = 0.05

_Result = TypeVar("_Result")


def with_retries(work: Callable[[], _Result]) -> _Result:
    """The result of ``work``, which is called up to three times where it loses against others.

    ``work`` has to leave nothing half done when it fails: one transaction, or nothing written.
    Raises what the last try raised.
    """
    for tried in range(1, TRIES + 1):
        try:
            return work()
        except Error as lost:
            in_caller = transaction.get_connection().in_atomic_block
            if tried == TRIES or in_caller or not is_passing(lost):
                raise
            # Jitter, so that two who met do not meet again.
            time.sleep(random.uniform(0.2, 1.0) * _LONGEST_PAUSE_S * tried)  # noqa: S311
    raise AssertionError("a try either returns or raises")
