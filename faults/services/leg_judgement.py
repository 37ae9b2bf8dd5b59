"""Readings of a path held against what they should be: by a return test, by a soak check."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Generic, TypeVar

from faults.leg_doubts import LegRead
from faults.leg_volts import LeastVolts
from faults.services.leg_expectations import LegExpectation

LEAST_INSULATION_MOHM = 1.0
"""What a leg has to earth at least, the path off (common practice, no source)."""

Read = TypeVar("Read", bound=LegRead)


@dataclass(frozen=True)
class JudgedLeg(Generic[Read]):
    """A leg's reading, None where it was not taken, and what it was held against."""

    reading: Read | None
    should: LegExpectation

    @property
    def failures(self) -> Iterator[str]:
        """What speaks against the leg. Ohms are kept and not judged: nothing predicts them."""
        leg, reading, expected = self.should.leg, self.reading, self.should.expected
        if reading is None:
            yield f"leg {leg} was not read"
            return
        if reading.current_ma is not None and not expected.holds(reading.current_ma):
            yield (
                f"leg {leg} reads {reading.current_ma:g} mA and should read about "
                f"{expected.current_ma:.0f} mA by the {self.should.basis.replace('-', ' ')}"
            )
        least = self.should.least
        if reading.far_v is not None and least is not None and reading.far_v < least.volts:
            yield (
                f"the far end of leg {leg} reads {reading.far_v:g} V and should read "
                f"{least.volts:.1f} V or more by the {_basis_words(least)}"
            )
        mohm = reading.insulation_mohm
        if mohm is not None and mohm < LEAST_INSULATION_MOHM:
            yield (
                f"leg {leg} has {mohm:g} MΩ to earth; {LEAST_INSULATION_MOHM:g} MΩ or more is "
                "common practice"
            )


@dataclass(frozen=True)
class Judgement(Generic[Read]):
    """Legs with their readings, and the least that the terminals may read."""

    legs: tuple[JudgedLeg[Read], ...]
    terminals: LeastVolts | None

    def failures(self, terminal_v: float | None) -> Iterator[str]:
        """What the readings say against the path. ``terminal_v``: None where not read."""
        least = self.terminals
        if terminal_v is not None and least is not None and terminal_v < least.volts:
            yield (
                f"the controller's terminals read {terminal_v:g} V and should read "
                f"{least.volts:.1f} V or more by the {_basis_words(least)}"
            )
        for one in self.legs:
            yield from one.failures


def judged(
    should: Iterable[LegExpectation], readings: Iterable[Read], terminals: LeastVolts | None
) -> Judgement[Read]:
    """All legs of a path beside their readings."""
    read = {one.leg: one for one in readings}
    return Judgement(tuple(JudgedLeg(read.get(one.leg), one) for one in should), terminals)


def _basis_words(least: LeastVolts) -> str:
    return "limit of the path" if least.basis == "limit" else least.basis.replace("-", " ")
