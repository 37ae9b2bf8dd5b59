"""Text on a drawing: made safe for XML, measured, cut short and put where it is free."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from unicodedata import east_asian_width
from xml.etree.ElementTree import Element, SubElement

from sites.network.drawing_geometry import Box, Occupied, Point

TEXT_SIZE = 11.0
LONGEST_LABEL = 20
"""Letters of a label on the drawing; what is cut stands in full in the title of its sign."""

# XML 1.0 allows no other control characters, and marks that turn the direction of writing
# would let one label overwrite the meaning of its neighbours.
_FORBIDDEN = re.compile(
    "[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]"
    "|[\u200e\u200f\u202a-\u202e\u2066-\u2069]"
)
_SPACES = re.compile(r"\s+")

MOST_MISSED = 4_000
"""Labels that found no room, after which no more are tried."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A text that wants a place: ``spots`` are centres to try, the best first."""

    text: str
    spots: Sequence[Point]
    look: str = "ink"
    bold: bool = False


def plain(text: str) -> str:
    """The text on one line, with what XML cannot carry replaced by U+FFFD."""
    return _SPACES.sub(" ", _FORBIDDEN.sub("\ufffd", text)).strip()


def shortened(text: str, longest: int = LONGEST_LABEL) -> str:
    """The text cut to ``longest`` letters, with an ellipsis where something is left out."""
    text = plain(text)
    return text if len(text) <= longest else text[: longest - 1].rstrip() + "…"


def width_of(text: str, size: float = TEXT_SIZE) -> float:
    """A cautious guess of the drawn width; fonts differ, so nothing is laid out tighter."""
    letters = sum(1.0 if east_asian_width(letter) in "WF" else 0.6 for letter in text)
    return letters * size


def spots_around(here: Point, reach: float, width: float) -> list[Point]:
    """Centres for a label around a sign: right, left, above, below, the corners; then farther."""
    x, y = here
    spots: list[Point] = []
    for further in (0.0, 7.0):
        side = reach + width / 2 + 4 + further
        rise = reach + TEXT_SIZE / 2 + 2 + further
        spots += [(x + side, y), (x - side, y), (x, y - rise), (x, y + rise)]
        spots += [(x + right * side, y + down * rise) for down in (-1, 1) for right in (1, -1)]
    return spots


def put_labels(
    parent: Element, labels: Iterable[Label], occupied: Occupied, clear: float = 1.0
) -> int:
    """Write the labels that find room, in the order given; returns how many are written.

    ``clear`` units around each are kept free of other labels. After ``MOST_MISSED`` that found
    no room the rest, which would help least, is not tried.
    """
    written = missed = 0
    for label in labels:
        box_spot = _free_spot(label, occupied)
        if box_spot is None:
            missed += 1
            if missed >= MOST_MISSED:
                break
            continue
        box, (x, y) = box_spot
        occupied.take((box[0] - clear, box[1] - clear, box[2] + clear, box[3] + clear))
        write(parent, label.text, (x, y), look=label.look, bold=label.bold)
        written += 1
    return written


def _free_spot(label: Label, occupied: Occupied) -> tuple[Box, Point] | None:
    half_width = width_of(label.text) / 2 + 1
    half_height = TEXT_SIZE / 2 + 1
    for x, y in label.spots:
        box = (x - half_width, y - half_height, x + half_width, y + half_height)
        if occupied.is_free(box):
            return box, (x, y)
    return None


def write(
    parent: Element,
    text: str,
    at: Point,
    *,
    look: str = "ink",
    bold: bool = False,
    anchor: str = "middle",
) -> Element:
    """Write a text with its middle height at ``at``."""
    attributes = {"class": look, "x": number(at[0]), "y": number(at[1] + TEXT_SIZE * 0.36)}
    if anchor != "middle":
        attributes["text-anchor"] = anchor
    if bold:
        attributes["font-weight"] = "700"
    element = SubElement(parent, "text", attributes)
    element.text = plain(text)
    return element


def number(value: float) -> str:
    """A coordinate, to a tenth of a unit."""
    return f"{value:.1f}".removesuffix(".0")
