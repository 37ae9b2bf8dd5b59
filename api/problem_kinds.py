"""Problems of the protocol itself, beside those that services raise."""

from __future__ import annotations

from http import HTTPStatus

from core.problems import Problem


class Malformed(Problem):
    """The request cannot be read at all."""

    code = "malformed"
    status = HTTPStatus.BAD_REQUEST
    title = "The request cannot be read"


class MethodRefused(Problem):
    """The address does not know this method."""

    code = "method-not-allowed"
    status = HTTPStatus.METHOD_NOT_ALLOWED
    title = "This address does not take this method"


class WrongMediaType(Problem):
    """The body is of a kind that is not taken here."""

    code = "wrong-media-type"
    status = HTTPStatus.UNSUPPORTED_MEDIA_TYPE
    title = "This kind of body is not taken here"


class UnderWay(Problem):
    """The same request is being carried out already."""

    code = "under-way"
    status = HTTPStatus.CONFLICT
    title = "The same request is under way"


class StorageFull(Problem):
    """There is no room to store anything."""

    code = "storage-full"
    status = HTTPStatus.INSUFFICIENT_STORAGE
    title = "No room to store this"


class Unexpected(Problem):
    """A defect of the server."""

    code = "unexpected"
    status = HTTPStatus.INTERNAL_SERVER_ERROR
    title = "Something went wrong here"
