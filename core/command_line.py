"""How the commands speak of documents that do not fit: one line for each defect, exit status 2."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NoReturn, Protocol

UNFIT = 2
"""Exit status when a document does not fit its form."""


class Writer(Protocol):
    """Where lines go: a text stream, or what a command writes its errors to."""

    def write(self, text: str, /) -> object:
        """Take one line with its end."""


class Line(Protocol):
    """What is wrong at a JSON pointer, and what would be right."""

    @property
    def pointer(self) -> str:
        """Where; empty for the whole document."""

    @property
    def what(self) -> str:
        """What is wrong."""

    @property
    def right(self) -> str:
        """What would be right."""


def end_with_defects(defects: Iterable[Line], stderr: Writer, source: str = "") -> NoReturn:
    """Write one line for each defect and leave with status 2.

    ``source`` names the document, where more than one may be meant. Raises SystemExit.
    """
    for defect in defects:
        stderr.write(_one_line(defect, source) + "\n")
    raise SystemExit(UNFIT)


def write_warnings(warnings: Iterable[Line], stderr: Writer, source: str = "") -> None:
    """Write one line for each warning."""
    for warning in warnings:
        stderr.write("warning: " + _one_line(warning, source) + "\n")


def _one_line(line: Line, source: str) -> str:
    start = f"{source}: " if source else ""
    where = line.pointer or "(document)"
    text = f"{start}{where}: {line.what}; right: {line.right}"
    return "".join(letter if letter.isprintable() else ascii(letter)[1:-1] for letter in text)
