"""The base of every address of the API: who, whether, how often, once, and with which words."""

from __future__ import annotations

from typing import Any, ClassVar, cast

from django.http import HttpRequest, HttpResponseBase
from rest_framework.exceptions import MethodNotAllowed
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from api.described import taken_by
from api.idempotency import KeyUse, answered_once
from api.policy import require
from api.retries import with_retries
from api.strict import StrictSerializer, read_body, refuse_unknown_parameters
from api.throttles import USUAL, Count, counted
from core.accounts.actor import Actor
from core.problems import NotSignedIn

_WITHOUT_BODY = frozenset({"GET", "HEAD"})
_NOT_KNOWN = (
    "The token is not known here, has ended or was revoked; an owner issues another. It is sent as "
    "`Authorization: Bearer clt_…`."
)


class Resource(APIView):
    """One address. ``actor`` is who asks; the work runs in the scope of their contractor."""

    limit_name: ClassVar[str] = USUAL
    key_use: ClassVar[KeyUse] = KeyUse()
    http_method_names = ["get", "head", "post", "put", "patch"]  # noqa: RUF012 - the framework's form
    actor: Actor
    _count: Count | None = None

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        """As the framework's, with the work tried again where it loses against others."""
        self.args, self.kwargs = args, kwargs
        self.request: Request = self.initialize_request(request, *args, **kwargs)
        self.headers: dict[str, str] = {}
        response: Response
        try:
            self.initial(self.request, *args, **kwargs)
            response = self._answer()
        except Exception as error:  # noqa: BLE001 - sorted by the handler of exceptions
            response = self.handle_exception(error)
        self.response = self.finalize_response(self.request, response, *args, **kwargs)
        return self.response

    def check_permissions(self, request: Request) -> None:
        """The table of who may do what. Raises NotSignedIn, NotAllowed, MethodNotAllowed."""
        # What the authentication found is an actor here, not one of the framework's users.
        actor = cast("Actor | None", request.user)
        method = request.method or ""
        if actor is not None and self._handler() is None:
            raise MethodNotAllowed(method)
        if actor is None and "Authorization" in request.headers:
            raise NotSignedIn(_NOT_KNOWN)
        match = request._request.resolver_match  # noqa: SLF001 - the framework hands it on untyped
        self.actor = require(actor, (match and match.url_name) or "", method)

    def check_throttles(self, request: Request) -> None:  # noqa: ARG002 - the framework's form
        """Count the request. Raises TooManyRequests."""
        self._count = counted(self.actor, self.limit_name)

    def finalize_response(
        self, request: Request, response: Response, *args: Any, **kwargs: Any
    ) -> Response:
        """Add what every answer tells."""
        final = super().finalize_response(request, response, *args, **kwargs)
        for name, value in (self._count.headers() if self._count else {}).items():
            final.headers.setdefault(name, value)
        return final

    def _handler(self) -> Any:
        method = (self.request.method or "").lower()
        return getattr(self, method, None) if method in self.http_method_names else None

    def _refuse_what_is_not_taken(self, handler: Any) -> None:
        """Before anything is done: a parameter or a body that nobody reads may be meant to matter.
        Raises ValidationError."""
        taken = taken_by(handler)
        refuse_unknown_parameters(self.request, taken.query)
        if not taken.body and self.request.method not in _WITHOUT_BODY:
            read_body(self.request, StrictSerializer)

    def _answer(self) -> Response:
        handler = self._handler()
        self._refuse_what_is_not_taken(handler)

        def run() -> Response:
            answer: Response = handler(self.request, *self.args, **self.kwargs)
            return answer

        if self.request.method != "POST":
            return with_retries(run)
        return with_retries(lambda: answered_once(self.request, self.actor, self.key_use, run))
