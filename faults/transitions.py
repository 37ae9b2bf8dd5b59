"""The states of a fault call and which may follow which."""

from __future__ import annotations

from collections.abc import Mapping

from django.db import models


class CallState(models.TextChoices):
    """Where the work promised to a property stands."""

    REPORTED = "reported", "Reported"
    PLANNED = "planned", "Planned"
    WAITING = "waiting", "Waiting"
    TRACING = "tracing", "Tracing"
    NARROWED = "narrowed", "Narrowed: suspected"
    FOUND = "found", "Found: proved"
    REPAIRING = "repairing", "Repairing"
    RETURN_TESTING = "return-testing", "Return-testing"
    CLOSED = "closed", "Closed"
    CANCELLED = "cancelled", "Cancelled"


class CallOutcome(models.TextChoices):
    """How a closed call ended."""

    REPAIRED = "repaired", "Repaired"
    CONTROLLER = "controller", "The controller"
    NOT_PRESENT = "not-present", "Not present"
    UNPROVED = "unproved", "Unproved"
    OTHER = "other", "Other"


class WaitKind(models.TextChoices):
    """What a waiting call waits for."""

    ACCESS = "access", "Access"
    UTILITY_MARKING = "utility-marking", "Utility marking"
    PARTS = "parts", "Parts"
    APPROVAL = "approval", "Approval"
    DRY_WEATHER = "dry-weather", "Dry weather"
    WET_WEATHER = "wet-weather", "Wet weather"
    SECOND_PERSON = "second-person", "A second person"
    OTHER = "other", "Other"


_S = CallState

LEGAL_MOVES: Mapping[CallState, tuple[CallState, ...]] = {
    _S.REPORTED: (_S.PLANNED, _S.WAITING, _S.TRACING, _S.CLOSED, _S.CANCELLED),
    _S.PLANNED: (
        *(_S.REPORTED, _S.WAITING, _S.TRACING, _S.REPAIRING, _S.RETURN_TESTING),
        *(_S.CLOSED, _S.CANCELLED),
    ),
    _S.WAITING: (
        *(_S.REPORTED, _S.PLANNED, _S.TRACING, _S.NARROWED, _S.FOUND),
        *(_S.REPAIRING, _S.RETURN_TESTING, _S.CLOSED, _S.CANCELLED),
    ),
    _S.TRACING: (
        *(_S.REPORTED, _S.PLANNED, _S.WAITING, _S.NARROWED, _S.FOUND),
        *(_S.CLOSED, _S.CANCELLED),
    ),
    _S.NARROWED: (
        *(_S.REPORTED, _S.PLANNED, _S.WAITING, _S.TRACING, _S.FOUND, _S.REPAIRING),
        *(_S.CLOSED, _S.CANCELLED),
    ),
    _S.FOUND: (
        *(_S.PLANNED, _S.WAITING, _S.TRACING, _S.REPAIRING),
        *(_S.CLOSED, _S.CANCELLED),
    ),
    _S.REPAIRING: (
        *(_S.PLANNED, _S.WAITING, _S.TRACING, _S.RETURN_TESTING),
        *(_S.CLOSED, _S.CANCELLED),
    ),
    _S.RETURN_TESTING: (_S.PLANNED, _S.WAITING, _S.TRACING, _S.REPAIRING, _S.CLOSED),
    # What was closed opens again; what was cancelled starts from the beginning.
    _S.CLOSED: (_S.REPORTED, _S.TRACING),
    _S.CANCELLED: (_S.REPORTED,),
}
"""Every open state leads back to tracing, for a proof may turn out to be none at any time."""

ENDED = frozenset({CallState.CLOSED, CallState.CANCELLED})
"""States without a promise left to keep."""

LEAVES_THE_PLACE = frozenset({_S.REPORTED, _S.PLANNED, _S.WAITING, _S.CLOSED, _S.CANCELLED})
"""States in which nobody is at the path: on the way there, each thing left is asked for."""

MOVED_BY_TRACE = frozenset({CallState.TRACING, CallState.NARROWED})
"""States in which a running trace moves its call by itself."""


def legal_moves(state: str, *, proved: bool) -> tuple[CallState, ...]:
    """The states that may follow; *found* only where a proof stands (``proved``)."""
    return tuple(to for to in LEGAL_MOVES[CallState(state)] if proved or to is not CallState.FOUND)
