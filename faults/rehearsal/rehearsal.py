"""A simulated trace: the map, the ground as it really is, and the faults in it."""

from __future__ import annotations

from dataclasses import dataclass

from faults.tracing.problem import Costs, Meter, PlacePrior, SoundRecord
from sites.network.elements import WirePath
from sites.network.faults import Fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsal:
    """A survey and the truth behind it.

    ``survey`` is what the map says; ``actual`` the ground where it differs (None: as mapped).
    An id that is in both is the same thing, and ``faults`` lie on the ground.
    ``coil_ohm`` is the impedance of the series coil at the path's frequency; whoever traces may
    see it only where ``coil_known``. ``seed`` draws the meter's gain and errors. ``dated`` is the
    day of the trace, from which a sound record counts its age.
    """

    survey: WirePath
    coil_ohm: complex
    faults: tuple[Fault, ...]
    meter: Meter
    seed: int
    costs: Costs
    actual: WirePath | None = None
    coil_known: bool = False
    priors: tuple[PlacePrior, ...] = ()
    sound_record: tuple[SoundRecord, ...] = ()
    dated: str | None = None

    @property
    def ground(self) -> WirePath:
        """The path as it really is."""
        return self.survey if self.actual is None else self.actual
