"""Visits under way at whatever hour: shifts that hold the minutes at which they began."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from faults.dispatch.problem import Shift

FARTHEST_MIN = 12 * 60
"""A shift that far from a start has nothing to do with it."""


def shifts_holding(shifts: Sequence[Shift], minute: int) -> tuple[Shift, ...]:
    """The shifts, in order, one of which holds a minute: the nearest reaches to it where none
    does, and where none is near there is one of its own."""
    if any(shift.start_min <= minute < shift.stop_min for shift in shifts):
        return tuple(shifts)
    near = min(shifts, key=lambda one: _away(one, minute), default=None)
    if near is None or _away(near, minute) > FARTHEST_MIN:
        return tuple(sorted([*shifts, Shift(minute, minute + 1)], key=lambda one: one.start_min))
    wide = replace(
        near, start_min=min(near.start_min, minute), stop_min=max(near.stop_min, minute + 1)
    )
    return tuple(wide if shift == near else shift for shift in shifts)


def _away(shift: Shift, minute: int) -> int:
    return shift.start_min - minute if minute < shift.start_min else minute + 1 - shift.stop_min
