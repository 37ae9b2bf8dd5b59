"""How much one person may have drawn in a minute: a large map takes seconds of a processor."""

from __future__ import annotations

from core.accounts.actor import Actor
from core.counting import count_in_window
from core.problems import TooManyRequests

MOST_A_MINUTE = 120
"""Drawings of small maps."""

NODES_A_DRAWING = 1_000
"""A map counts once more for each so many nodes."""

_WINDOW_S = 60


def drawing_count(actor: Actor) -> None:
    """Count one drawing, before anything is read for it. Raises TooManyRequests past the limit."""
    _count(actor, 1)


def drawing_count_size(actor: Actor, nodes: int) -> None:
    """Count what a map of so many nodes takes beyond a small one. Raises TooManyRequests."""
    if more := nodes // NODES_A_DRAWING:
        _count(actor, more)


def _count(actor: Actor, by: int) -> None:
    used, left_s = count_in_window(f"drawings:{actor.public_id}", _WINDOW_S, by=by)
    if used > MOST_A_MINUTE:
        raise TooManyRequests(
            f"More was to be drawn in a minute than is drawn for one person; go on in {left_s} s.",
            headers={"Retry-After": str(left_s)},
        )
