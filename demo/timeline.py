"""Lets stories run side by side in the order of time.

A story is a generator: it does something, then yields the moment at which it goes on. Whatever it
does is written down as of that moment.
"""

from __future__ import annotations

import datetime as dt
import heapq
from collections.abc import Iterable, Iterator

from core.clock import as_of

Story = Iterator[dt.datetime]


def tell(stories: Iterable[Story], until: dt.datetime) -> None:
    """Run stories to their ends; what would come after ``until`` has not happened yet."""
    waiting: list[tuple[dt.datetime, int, Story]] = []
    for number, story in enumerate(stories):
        _await(waiting, number, story, until)
    while waiting:
        at, number, story = heapq.heappop(waiting)
        with as_of(at):
            _await(waiting, number, story, until)


def _await(
    waiting: list[tuple[dt.datetime, int, Story]], number: int, story: Story, until: dt.datetime
) -> None:
    """Let a story go on to its next moment."""
    at = next(story, None)
    if at is not None and at <= until:
        heapq.heappush(waiting, (at, number, story))
