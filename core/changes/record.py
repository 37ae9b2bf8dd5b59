"""Writing down what a service did, in its own transaction."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

from core.accounts.actor import Actor
from core.clock import now
from core.models.changes import Change, UnsequencedChange

_request_id: ContextVar[str] = ContextVar("request_id", default="")


@contextmanager
def request_named(request_id: str) -> Iterator[None]:
    """Changes written within carry this request's id."""
    token = _request_id.set(request_id)
    try:
        yield
    finally:
        _request_id.reset(token)


def change_record(
    *,
    by: Actor,
    action: str,
    thing: tuple[str, str],
    thread_id: str = "",
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
) -> Change:
    """Write a change in the caller's transaction.

    ``thing`` is the kind and public id of what was changed; ``thread_id`` the public id of what
    keeps order with it (a call), by default the thing itself. ``before`` and ``after`` hold the
    fields that tell the change, as JSON can carry them.
    """
    kind, public_id = thing
    change = Change.objects.create(
        at=now(),
        actor_kind=by.kind,
        actor_id=by.public_id,
        actor_name=by.name,
        action=action,
        object_kind=kind,
        object_id=public_id,
        thread_id=thread_id or public_id,
        before=None if before is None else dict(before),
        after=None if after is None else dict(after),
        request_id=_request_id.get(),
    )
    UnsequencedChange.objects.create(change=change)
    return change
