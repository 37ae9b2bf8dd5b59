"""What an error of the database means to a caller: try again here, later, or not at all."""

from __future__ import annotations

from django.db import Error, InterfaceError, OperationalError

from api.problem_kinds import StorageFull
from core.problems import Problem, Unavailable

# Serialization failure, deadlock, lock time-out: the same transaction may pass when tried again.
_PASSING_STATES = frozenset({"40001", "40P01", "55P03"})
_FULL_STATE = "53100"
_PASSING_WORDS = ("database is locked", "database table is locked")
_FULL_WORDS = "disk is full"

RETRY_AFTER_S = 1


def is_passing(error: Error) -> bool:
    """Whether the same transaction may well pass when it is tried again at once."""
    if isinstance(error, OperationalError) and any(w in str(error) for w in _PASSING_WORDS):
        return True
    return _state(error) in _PASSING_STATES


def database_problem(error: BaseException | None) -> Problem | None:
    """The problem to answer with; None where the error is a defect of ours."""
    if not isinstance(error, Error):
        return None
    if _state(error) == _FULL_STATE or _FULL_WORDS in str(error):
        return StorageFull("Nothing can be stored now: the disk is full. Reading goes on.")
    later = {"Retry-After": str(RETRY_AFTER_S)}
    if is_passing(error):
        words = "Others are writing the same things just now. Send the request again."
        return Unavailable(words, headers=later)
    if isinstance(error, OperationalError | InterfaceError):
        words = "The database does not answer now. Send the request again."
        return Unavailable(words, headers=later)
    return None


def _state(error: Error) -> str:
    return str(getattr(error.__cause__, "sqlstate", None) or "")
