"""Things left on a path, in the words of pages."""

from __future__ import annotations

from faults.left_words import left_words, place_words
from faults.models.as_left import LeftKind

__all__ = ["LEFT_CAUTIONS", "left_words", "place_words"]

LEFT_CAUTIONS: dict[str, str] = {
    LeftKind.POWER_OFF: (
        "Power: hands out of the controller and everybody clear of bare ends before it goes on."
    ),
    LeftKind.POWER_ON: (
        "What is open is live: cap each end by itself and cover the hole, or switch the power off."
    ),
    LeftKind.COIL_IN: "The coil comes out with the power off and proved dead; it may be hot.",
    LeftKind.LEG_OFF: "Before a leg is moved: power off and proved dead.",
    LeftKind.JOINT_OPEN: "A cut or lifted end can be live from the far side: cap each by itself.",
    LeftKind.JOINT_CLOSED: "Look for volts across each pair before it is opened or joined.",
    LeftKind.ISOLATED: "What is out of the path has two ends: each can be live from its own side.",
    LeftKind.LID_UP: "An open hole is fenced or covered whenever people leave it.",
}
"""What to mind about a thing left, by its kind."""
