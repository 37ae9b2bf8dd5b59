"""Which parser and renderer a request gets."""

from __future__ import annotations

from collections.abc import Iterable

from rest_framework.negotiation import BaseContentNegotiation
from rest_framework.parsers import BaseParser
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request


class OneForm(BaseContentNegotiation):
    """Answers are JSON whatever is asked for: there is nothing to choose from."""

    def select_parser(self, request: Request, parsers: Iterable[BaseParser]) -> BaseParser | None:
        """The parser of the body's media type; None: it is not taken."""
        given = (request.content_type or "").partition(";")[0].strip().lower()
        return next((parser for parser in parsers if parser.media_type == given), None)

    def select_renderer(
        self,
        request: Request,  # noqa: ARG002 - the framework's form
        renderers: Iterable[BaseRenderer],
        format_suffix: str | None = None,  # noqa: ARG002
    ) -> tuple[BaseRenderer, str]:
        """The first one."""
        first = next(iter(renderers))
        return first, first.media_type or "application/json"
