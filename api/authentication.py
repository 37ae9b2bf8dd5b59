"""Who asks, as the middleware found them; people with a session also prove that they meant it."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, CSRFCheck
from rest_framework.request import Request

from core.accounts.actor import Actor
from core.problems import NotAllowed


class ActorAuthentication(BaseAuthentication):
    """Takes ``request.actor``. A token is proof enough; a session needs the CSRF token besides."""

    def authenticate(self, request: Request) -> tuple[Any, None] | None:
        """The actor, or None for nobody. Raises NotAllowed without the CSRF token."""
        actor: Actor | None = getattr(request._request, "actor", None)  # noqa: SLF001
        if actor is None:
            return None
        if actor.kind == "person":
            _enforce_csrf(request._request)  # noqa: SLF001
        return actor, None

    def authenticate_header(self, request: Request) -> str:  # noqa: ARG002 - the framework's form
        """What to send instead."""
        return 'Bearer realm="clampline"'


def _enforce_csrf(request: HttpRequest) -> None:
    def not_called(_request: HttpRequest) -> Any:
        return None

    check = CSRFCheck(not_called)
    check.process_request(request)
    reason = check.process_view(request, not_called, (), {})
    if reason:
        raise NotAllowed(f"The request is not proved to be yours: {reason}")


class ActorScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    """How the schema tells of it."""

    target_class = ActorAuthentication
    name = ["token", "session"]  # noqa: RUF012 - the framework's form

    def get_security_definition(self, auto_schema: Any) -> list[dict[str, str]]:  # noqa: ARG002
        """A token in the header, or the cookie of a session."""
        return [
            {"type": "http", "scheme": "bearer", "description": "A machine token."},
            {
                "type": "apiKey",
                "in": "cookie",
                "name": "sessionid",
                "description": "The session of somebody signed in on the pages; unsafe methods "
                "also need the header X-CSRFToken.",
            },
        ]
