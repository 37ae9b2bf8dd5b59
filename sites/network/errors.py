"""What can keep a path from being solved, as one small tree under ``NetworkError``."""

from __future__ import annotations


class NetworkError(Exception):
    """A path under a condition that has no answer; the text says what to change."""


class UnknownElement(NetworkError):
    """A condition names a node, segment, device or conductor that the path does not have."""

    def __init__(self, kind: str, element_id: str) -> None:
        super().__init__(f"there is no {kind} {element_id!r} on this path")
        self.kind = kind
        self.element_id = element_id


class IncompleteFault(NetworkError):
    """A fault without what its kind needs: a resistance, a conductor, a fraction within (0, 1)."""


class FloatingEarthFault(NetworkError):
    """A fault to earth on a path that has no connection to earth, so that nothing flows."""


class NoOperatingPoint(NetworkError):
    """The devices' own laws leave no state in which the path can rest."""
