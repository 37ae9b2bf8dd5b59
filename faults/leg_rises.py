"""That a leg draws more, sound, than when it was sound before: a reason to look at it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from faults.models.return_test import SoundRecord
from faults.tracing import problem
from faults.tracing.standing_current import standing_rise


@dataclass(frozen=True)
class Rise:
    """That the standing current of a leg has risen since it was last known sound."""

    leg: str
    before_ma: float
    now_ma: float
    before_at: dt.datetime

    @property
    def words(self) -> str:
        """A sentence for a page, and what to do."""
        return (
            f"Leg {self.leg} draws more than when it was known sound: {self.now_ma:.0f} mA, "
            f"{self.before_ma:.0f} mA on {self.before_at:%-d %b %Y}. Something on it may be "
            "going: look at it before it trips."
        )


def rise_between(before: SoundRecord | None, now_row: SoundRecord) -> Rise | None:
    """The rise from one record of a leg to a later one; None where there is none past what meters,
    wetness and age explain, or the two cannot be compared."""
    if before is None:
        return None
    rise = standing_rise(_known(before), _known(now_row))
    if rise is None or not rise.risen:
        return None
    return Rise(rise.leg, rise.before_ma, rise.now_ma, before.at)


def _known(row: SoundRecord) -> problem.SoundRecord:
    return problem.SoundRecord(
        leg=row.leg,
        current_ma=row.current_ma,
        coil=row.coil,
        far_v=row.far_v,
        insulation_mohm=row.insulation_mohm,
        wet=row.wet,
        date=row.at.date().isoformat(),
        meter=row.meter or None,
    )
