"""What can go wrong with a request, as one tree: code, status, words, and where.

Services raise these; the API turns them into problem documents (RFC 9457), pages into messages.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from typing import ClassVar


@dataclass(frozen=True)
class Defect:
    """What is wrong at a JSON pointer into the body, and what would be right."""

    pointer: str
    what: str
    right: str = ""


class Problem(Exception):
    """Something a caller can understand and mend.

    ``detail`` says what happened to this request; ``defects`` where in the body; ``extra`` are
    further members of the problem document.
    """

    code: ClassVar[str] = "problem"
    status: ClassVar[HTTPStatus] = HTTPStatus.BAD_REQUEST
    title: ClassVar[str] = "The request cannot be carried out"

    def __init__(
        self,
        detail: str,
        *,
        defects: Sequence[Defect] = (),
        extra: Mapping[str, object] | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(detail)
        self.detail = detail
        self.defects = tuple(defects)
        self.extra = dict(extra or {})
        self.headers = dict(headers or {})


class Invalid(Problem):
    """The body or a parameter does not fit."""

    code = "invalid"
    status = HTTPStatus.UNPROCESSABLE_ENTITY
    title = "The request does not fit"


class NotSignedIn(Problem):
    """Nobody is known to be asking."""

    code = "not-signed-in"
    status = HTTPStatus.UNAUTHORIZED
    title = "Sign in or send a token"


class NotAllowed(Problem):
    """Who is asking may not do this."""

    code = "not-allowed"
    status = HTTPStatus.FORBIDDEN
    title = "Not allowed"


class NotFound(Problem):
    """There is no such thing, or it is another contractor's."""

    code = "not-found"
    status = HTTPStatus.NOT_FOUND
    title = "Not found"


class IllegalMove(Problem):
    """The state of the thing does not allow this; ``extra["legal"]`` lists what it allows."""

    code = "illegal-move"
    status = HTTPStatus.CONFLICT
    title = "Not possible in this state"


class Conflict(Problem):
    """It is there already, or something else holds it."""

    code = "conflict"
    status = HTTPStatus.CONFLICT
    title = "Conflict"


class Stale(Problem):
    """The thing was changed since it was read."""

    code = "stale"
    status = HTTPStatus.PRECONDITION_FAILED
    title = "Changed since it was read"


class PreconditionRequired(Problem):
    """The request has to say which version it means."""

    code = "precondition-required"
    status = HTTPStatus.PRECONDITION_REQUIRED
    title = "Say which version you mean"


class Gone(Problem):
    """It was there and cannot be had any more."""

    code = "gone"
    status = HTTPStatus.GONE
    title = "No longer there"


class TooLarge(Problem):
    """More than is taken at once."""

    code = "too-large"
    status = HTTPStatus.REQUEST_ENTITY_TOO_LARGE
    title = "Too large"


class LengthRequired(Problem):
    """A body whose length is not told in front."""

    code = "length-required"
    status = HTTPStatus.LENGTH_REQUIRED
    title = "Say how long it is"


class TooManyRequests(Problem):
    """More requests in a while than are taken."""

    code = "too-many-requests"
    status = HTTPStatus.TOO_MANY_REQUESTS
    title = "Too many requests"


class Unavailable(Problem):
    """Something the server needs does not answer now."""

    code = "unavailable"
    status = HTTPStatus.SERVICE_UNAVAILABLE
    title = "Not available now"
