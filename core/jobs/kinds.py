"""Kinds of jobs, and what is run for each. An app registers its own in its module ``tasks``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from django.utils.module_loading import autodiscover_modules

from core.jobs.limits import MAX_ATTEMPTS, MAX_RUN_S

if TYPE_CHECKING:
    from core.jobs.run import JobRun

Handler = Callable[["JobRun"], None]


class UnknownKindError(LookupError):
    """No handler is registered under this name."""


@dataclass(frozen=True, slots=True)
class JobKind:
    """``limit_s``: past it a run gives no sign of life any more, and loses its job."""

    name: str
    handler: Handler
    max_attempts: int = MAX_ATTEMPTS
    limit_s: float = MAX_RUN_S

    def __post_init__(self) -> None:
        if self.max_attempts < 1:
            raise ValueError(f"max_attempts is {self.max_attempts}; expected 1 or more")
        if not 0.0 < self.limit_s <= MAX_RUN_S:
            raise ValueError(f"limit_s is {self.limit_s}; expected 0 < x <= {MAX_RUN_S:g}")


_kinds: dict[str, JobKind] = {}


def job_kind(
    name: str, *, max_attempts: int = MAX_ATTEMPTS, limit_s: float = MAX_RUN_S
) -> Callable[[Handler], Handler]:
    """Register the decorated function for jobs of this kind.

    The function reads and computes with no transaction open, and writes what it found in
    ``with run.finishing():``, which holds only while the job is still its own. Raises ValueError
    for a name that is taken or limits out of range.
    """

    def register(handler: Handler) -> Handler:
        if name in _kinds:
            raise ValueError(f"two handlers for jobs of the kind {name!r}")
        _kinds[name] = JobKind(name, handler, max_attempts, limit_s)
        return handler

    return register


def kind_named(name: str) -> JobKind:
    """The kind of this name. Raises UnknownKindError."""
    load_tasks()
    try:
        return _kinds[name]
    except KeyError:
        raise UnknownKindError(
            f"no handler for jobs of the kind {name!r}; known: {', '.join(sorted(_kinds))}"
        ) from None


@cache
def load_tasks() -> None:
    """Import the module ``tasks`` of every installed app, once."""
    autodiscover_modules("tasks")
