"""Finds out who asks and runs the whole request in the scope of their contractor."""

from __future__ import annotations

import re
from collections.abc import Callable

from django.contrib.auth import get_user
from django.http import HttpRequest, HttpResponseBase
from ulid import ULID

from core.accounts.actor import Actor
from core.accounts.sign_in import person_actor
from core.accounts.tokens import token_actor
from core.changes.record import request_named
from core.models.accounts import Person
from core.tenancy.scope import contractor_scope

Answer = Callable[[HttpRequest], HttpResponseBase]

_BEARER = re.compile(r"(?i:bearer) +([\w\-~+/.=]{20,200})")


class ActorMiddleware:
    """Sets ``request.actor`` (or None), ``request.user`` and ``request.request_id``.

    A token in the Authorization header counts alone: a request with a bad token is nobody's, even
    beside a session.
    """

    def __init__(self, get_response: Answer) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Answer in the scope of who asks."""
        actor = _actor_of(request)
        request.request_id = f"req_{str(ULID()).lower()}"  # type: ignore[attr-defined]
        request.actor = actor  # type: ignore[attr-defined]
        with request_named(request.request_id):  # type: ignore[attr-defined]
            if actor is None:
                answer = self.get_response(request)
            else:
                with contractor_scope(actor.contractor_id):
                    answer = self.get_response(request)
        answer.headers.setdefault("X-Request-Id", request.request_id)  # type: ignore[attr-defined]
        return answer


def _actor_of(request: HttpRequest) -> Actor | None:
    header = request.headers.get("Authorization")
    if header is not None:
        found = _BEARER.fullmatch(header.strip())
        return token_actor(found[1]) if found else None
    person = get_user(request)
    if isinstance(person, Person):
        request.user = person
        return person_actor(person)
    return None
