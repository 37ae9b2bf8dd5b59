"""Whether a reading can be: what the source gives through the coil, and what a sound path takes.

The allowances are our own choice, wide enough that no reading of a working meter is doubted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from faults.tracing.assumptions import Assumptions
from faults.tracing.observations import ClampSet, Observation
from faults.tracing.problem import TraceProblem
from sites.network.elements import WirePath

_OVER = 1.25
"""Mains above nominal and the meter's gain together."""
_COIL_SPREADS = 4.0
"""How far below the median a coil that is not known is taken to lie, in its log spreads."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A reading that cannot be so. ``pointer``: where it stands in the observation."""

    pointer: str
    current_ma: float
    most_ma: float

    @property
    def words(self) -> str:
        """What is doubted and why."""
        return (
            f"{self.current_ma:g} mA is more than this source can send through the coil, "
            f"about {self.most_ma:.0f} mA"
        )


def readings_told(observation: Observation) -> list[tuple[str, float]]:
    """The currents in mA of an observation, each with the JSON pointer to it."""
    if isinstance(observation, ClampSet):
        return [
            (f"/readings/{n}/current_ma", one.current_ma)
            for n, one in enumerate(observation.readings)
        ]
    current = getattr(observation, "current_ma", None)
    return [] if current is None else [("/current_ma", float(current))]


def readings_doubted(problem: TraceProblem, observation: Observation) -> list[Doubt]:
    """The readings above what the source can send through the coil, a short right behind it.

    Every current of a trace is read behind the coil. The bound is the source voltage over the
    impedance of source and coil, with a quarter on top; a coil that is not known is taken small.
    """
    most = most_through_coil_ma(problem.path, problem.coil_ohm)
    return [Doubt(at, ma, most) for at, ma in readings_told(observation) if ma > most]


def most_through_coil_ma(path: WirePath, coil_ohm: complex | None) -> float:
    """The most in mA that can flow with the coil in, infinite where nothing is in the way."""
    if coil_ohm is None:
        assumed = Assumptions()
        small = math.exp(-_COIL_SPREADS * assumed.coil_log_spread)
        coil_ohm = assumed.median_coil_ohm * small
    ohm = abs(path.source_ohm + coil_ohm)
    return 1000.0 * path.source_v / ohm * _OVER if ohm > 0.0 else math.inf


def most_standing_ma(path: WirePath) -> float:
    """The most in mA that a path can draw for longer, coil out: where its controller cuts off, or
    what a source that is weaker than that can send."""
    return min(_most_let_through_ma(path), most_through_coil_ma(path, 0j))


def most_standing_v(path: WirePath) -> float:
    """The most volts that can stand anywhere on the path."""
    return path.source_v * _OVER


def standing_doubt(path: WirePath, kind: str, value: float, *, coil: bool = False) -> str | None:
    """Why what is read at a leg or the terminals cannot be so; None where it may be.

    ``kind``: `current_ma` at the controller, the coil out unless ``coil``, `far_v` or
    `terminal_v`; of anything else nothing is known.
    """
    if kind in ("far_v", "terminal_v"):
        most_v = most_standing_v(path)
        told = f"{value:g} V is more than the source has, about {most_v:.0f} V"
        return told if value > most_v else None
    if kind != "current_ma":
        return None
    if coil:
        doubt = Doubt("", value, most_through_coil_ma(path, None))
        return doubt.words if value > doubt.most_ma else None
    most_ma = most_standing_ma(path)
    whose = "the controller lets through" if most_ma == _most_let_through_ma(path) else _SENDS
    return f"{value:g} mA is more than {whose}, about {most_ma:.0f} mA" if value > most_ma else None


def _most_let_through_ma(path: WirePath) -> float:
    return path.trip_ma * (1.0 + path.trip_spread) * _OVER


_SENDS = "this source can send"
