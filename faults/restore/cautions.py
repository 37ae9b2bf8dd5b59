"""Cautions of the acts of a partial restore (trade judgement, common practice, no source)."""

from __future__ import annotations

from sites.network.elements import Access

CODES_FIRST = "Local codes and licensed practice go first."
DEAD = (
    "Power off, and proved dead at the terminals with a tester you have just tried, before hands "
    "go in; the mains side of the controller is for licensed people."
)
DEAD_HERE = "Prove the conductors dead here too, each against the other, before you touch them."
FAR_SIDE = (
    "This end comes alive from the far side when the power is on again: cap each conductor by "
    "itself, watertight, and tag it."
)
CAP = "Cap each conductor that came off by itself, watertight, and tag it as left off."
VOLTS = "Look for volts across each pair before you join it; join nothing that is live."
HANDS_OUT = (
    "Everybody clear of bare ends before the power goes on; if the message shows, off again."
)
LIVE = (
    "The wires are live: the jaw goes around insulation, fingers stay off bare copper. Look before "
    "you reach in, and never reach into water with the power on."
)
WATER_RUNS = "Stations may start to water: see that nobody and no open box is under them."
DIG = (
    "Before any digging have the other utilities marked and wait for it; by hand near a mark, and "
    "by the local rules for digging. Fence or cover an open hole whenever you leave it."
)
BOX = (
    "Look before you reach in: snakes, stinging insects and spiders live in boxes. Bail out water "
    "with the power off. Near traffic: two people, one of them watching it."
)
NO_THUNDER = "Not in thunder: at the first clap leave the wires alone and wait it out."


def at_node(access: Access) -> tuple[str, ...]:
    """What belongs to reaching the conductors at a node."""
    if access == "cabinet":
        return (DEAD, CODES_FIRST)
    if access == "box":
        return (BOX, DEAD_HERE)
    return (DIG, DEAD_HERE, CODES_FIRST)
