"""Colours, widths and patterns of a drawn path, for light and dark grounds.

Currents are told by width, pattern and colour together, steps by number: nothing by colour
alone. The current colours run in one direction of lightness, so they stay in order for
colour-blind readers and in grey print. :func:`contrast` (WCAG 2.2) is what the tests hold them to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise


@dataclass(frozen=True, slots=True, kw_only=True)
class Palette:
    """The colours of one ground; ``currents`` from the least to the strongest."""

    ground: str
    ink: str
    faint_ink: str
    unknown: str
    mark: str
    on_mark: str
    currents: tuple[str, str, str, str, str]


LIGHT = Palette(
    ground="#fcfbf8",
    ink="#1d2329",
    faint_ink="#535c66",
    unknown="#79808a",
    mark="#b23a06",
    on_mark="#ffffff",
    currents=("#5f8a8f", "#2b8592", "#2a6595", "#4c3d92", "#560e4c"),
)
DARK = Palette(
    ground="#14191e",
    ink="#eceff2",
    faint_ink="#a9b3bd",
    unknown="#8d96a0",
    mark="#ff9d57",
    on_mark="#14191e",
    currents=("#5e8287", "#57a3ae", "#7fb6e6", "#bdb4f7", "#ffd9f4"),
)

WIDTHS = (1.4, 2.0, 3.2, 4.8, 6.6)
"""Line widths in drawing units by class of current, before thinning on large paths."""

UNKNOWN_WIDTH = 2.0
UNKNOWN_DASH = "2 4"
LEAST_DASH = "7 3.5"
TRAIL_DASH = "9 3 1.5 3"
"""Patterns: dotted where no current is given, dashed where it is next to nothing, dash and dot
for the way from step to step."""

SHARES = (0.02, 0.25, 0.50, 0.75)
"""Upper ends of the classes but the last, as shares of the strongest current drawn.

They choose how a line looks and nothing else; what a reading means is never a fixed share.
"""


@dataclass(frozen=True, slots=True)
class CurrentClasses:
    """Which look a current has; ``strongest_ma`` is 0 where nothing is known to flow."""

    strongest_ma: float

    @classmethod
    def of(cls, currents_ma: Mapping[str, float]) -> CurrentClasses:
        """The classes for the currents of one drawing."""
        return cls(max(currents_ma.values(), default=0.0))

    def index(self, current_ma: float) -> int:
        """The class of a current, 0 for next to nothing to 4 for the strongest."""
        if self.strongest_ma <= 0.0:
            return 0
        share = current_ma / self.strongest_ma
        return sum(share >= bound for bound in SHARES)

    def texts(self) -> tuple[str, ...]:
        """What each class holds, in mA, for the legend."""
        if self.strongest_ma <= 0.0:
            return ("0 mA",)
        bounds = [milliamperes(share * self.strongest_ma) for share in SHARES]
        ranges = [f"{low} to {high} mA" for low, high in pairwise(bounds)]
        top = milliamperes(self.strongest_ma)
        return (f"below {bounds[0]} mA", *ranges, f"{bounds[-1]} to {top} mA")


def milliamperes(current_ma: float) -> str:
    """A current as it is written on a drawing: whole above 10 mA, one decimal below."""
    return f"{current_ma:.0f}" if current_ma >= 9.95 else f"{current_ma:.1f}"


def style_sheet() -> str:
    """The classes of the drawing; dark colours where the reader's screen asks for them."""
    return f"{_rules(LIGHT)}@media (prefers-color-scheme:dark){{{_rules(DARK)}}}"


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two ``#rrggbb`` colours, 1 to 21 (WCAG 2.2, 1.4.3)."""
    lighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _rules(palette: Palette) -> str:
    rules = [
        f".ground{{fill:{palette.ground}}}",
        f".ink{{fill:{palette.ink}}}",
        f".faint{{fill:{palette.faint_ink}}}",
        f".outline{{stroke:{palette.ink}}}",
        f".hollow{{fill:{palette.ground};stroke:{palette.ink}}}",
        f".ringed{{stroke:{palette.ground}}}",
        f".unknown{{stroke:{palette.unknown}}}",
        f".mark{{fill:{palette.mark};stroke:{palette.ground}}}",
        f".trail{{stroke:{palette.mark}}}",
        f".on-mark{{fill:{palette.on_mark}}}",
    ]
    rules += [f".c{index}{{stroke:{colour}}}" for index, colour in enumerate(palette.currents)]
    return "".join(rules)


def _luminance(colour: str) -> float:
    channels = [int(colour[start : start + 2], 16) / 255.0 for start in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
