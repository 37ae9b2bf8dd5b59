"""The table of addresses as the URL configuration has it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from api.urls import urlpatterns

METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE")


@dataclass(frozen=True)
class Route:
    """One address: its name in the policy, its path with ``{id}``, the methods its view takes."""

    name: str
    path: str
    methods: tuple[str, ...]

    @property
    def word(self) -> str:
        return self.path.split("/")[1]

    @property
    def has_id(self) -> bool:
        return "{id}" in self.path

    def at(self, public_id: str) -> str:
        return self.path.replace("{id}", public_id)


def routes() -> Iterator[Route]:
    """Every address below /api/v1/."""
    for pattern in urlpatterns:
        view: Any = pattern.callback.cls
        methods = tuple(method for method in METHODS if hasattr(view, method.lower()))
        path = re.sub(r"<[^>]+>", "{id}", f"/{pattern.pattern}")
        yield Route(str(pattern.name), path, methods)


ROUTES = list(routes())
