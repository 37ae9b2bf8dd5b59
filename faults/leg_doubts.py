"""What of the readings of a sound path cannot be so, in words for whoever sent them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Protocol

from faults.tracing.plausible import standing_doubt
from sites.network.elements import WirePath

LOOK_AGAIN = "look at the meter and its range once more"


class LegRead(Protocol):
    """What a leg read: mA at the controller, volts at its far end, megohms to earth; None: not
    read."""

    @property
    def leg(self) -> str:
        """Which leg."""

    @property
    def current_ma(self) -> float | None:
        """At the controller."""

    @property
    def far_v(self) -> float | None:
        """At its far end."""

    @property
    def insulation_mohm(self) -> float | None:
        """To earth, the path off."""


def leg_warnings(network: WirePath, legs: Iterable[LegRead], *, coil: bool = False) -> list[str]:
    """The readings of legs above what the source and the controller can give, a sentence each.

    Readings that are doubted are kept all the same, as in a trace. ``coil``: the coil was in.
    """
    return [words for one in legs for words in _of_leg(network, one, coil)]


def terminal_warnings(network: WirePath, terminal_v: float | None) -> list[str]:
    """The same of the volts at the controller's terminals; None: not read."""
    why = terminal_v is not None and standing_doubt(network, "terminal_v", terminal_v)
    return [f"Terminals: {why}: {LOOK_AGAIN}."] if why else []


def _of_leg(network: WirePath, one: LegRead, coil: bool) -> Iterator[str]:  # noqa: FBT001
    for kind, value in (("current_ma", one.current_ma), ("far_v", one.far_v)):
        why = value is not None and standing_doubt(network, kind, value, coil=coil)
        if why:
            yield f"Leg {one.leg}: {why}: {LOOK_AGAIN}."
