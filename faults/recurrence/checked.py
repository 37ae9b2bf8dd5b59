"""What can keep a history from being counted, as one small tree under ``RecurrenceError``."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Wholes = NDArray[np.int64]
Flags = NDArray[np.bool_]


class RecurrenceError(ValueError):
    """Data that has no answer; the text says what to change."""


class TooFewFailures(RecurrenceError):
    """A fit needs more failures than there are."""


def checked_counts(counts: ArrayLike, name: str = "counts") -> Wholes:
    """Counts as whole numbers of at least 0. Raises RecurrenceError."""
    given = np.asarray(counts)
    whole = given.astype(np.int64)
    if np.any(whole != given) or np.any(whole < 0):
        raise RecurrenceError(f"{name}: expected whole numbers of at least 0")
    return whole


def checked_amounts(values: ArrayLike, name: str, *, above_zero: bool = False) -> Floats:
    """Finite numbers of at least 0, or above it. Raises RecurrenceError."""
    amounts = np.asarray(values, dtype=np.float64)
    low = amounts <= 0.0 if above_zero else amounts < 0.0
    if np.any(low) or not np.all(np.isfinite(amounts)):
        least = "above 0" if above_zero else "of at least 0"
        raise RecurrenceError(f"{name}: expected finite numbers {least}")
    return amounts


def checked_share(value: float, name: str) -> float:
    """A number within (0, 1), both ends left out. Raises RecurrenceError."""
    if not 0.0 < value < 1.0:
        raise RecurrenceError(f"{name}: expected 0 < x < 1, not {value}")
    return float(value)


def same_length(**arrays: NDArray[Any]) -> None:
    """Raises RecurrenceError where the arrays named do not have one length."""
    lengths = {name: len(values) for name, values in arrays.items()}
    if len(set(lengths.values())) > 1:
        told = ", ".join(f"{name} {length}" for name, length in lengths.items())
        raise RecurrenceError(f"expected arrays of one length, not {told}")


def floats(values: ArrayLike) -> Floats:
    """As an array of floats, without a copy where it is one."""
    return np.asarray(values, dtype=np.float64)


def sum_by(number: Wholes, values: ArrayLike, count: int) -> Floats:
    """Sums of values over those with one number, shape (count,)."""
    return floats(np.bincount(number, weights=floats(values), minlength=count))
