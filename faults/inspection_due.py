"""The day on which a look at a flag is due: when the predicted chance of a failure is reached."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from faults.history_snapshot import day_of, failures_by_path, moment_of, place_of
from faults.models.trouble import Inspection, InspectionResult, InspectionState, PathTallyRow
from faults.models.trouble import TroubleFlag as Flag
from faults.recurrence.inspections import exposure_to_chance
from faults.recurrence.peers import PeerRates
from faults.recurrence.rates import shrunk_rates
from faults.tally_store import unpacked
from sites.models.property import Property

FIRST_LOOK_DAYS = 28
"""A flag is looked at within so many days of its raising, however small the chance."""

SKIPPED_REST_DAYS = 28
"""A look that was skipped is asked for again after so many days."""

_LONGEST_DAYS = 3 * 366


@dataclass(frozen=True, slots=True)
class DueFacts:
    """The moment of the reckoning and the chance that makes a look due."""

    as_of: dt.datetime
    look_at_chance: float


def due_day(flag: Flag, before: Inspection | None, facts: DueFacts) -> dt.date:
    """The day at the property when the chance of a failure since the last one, or since the last
    look, reaches its target.

    The chance is of the flag's posterior rate over energised time; what looks worn is due in half
    the time.
    """
    zone = zone_of(flag.path.controller.property)
    since = day_of(_since(flag, before, facts.as_of))
    days = _energised_days(flag, facts.look_at_chance)
    if before is not None and before.result == InspectionResult.WORN:
        days /= 2.0
    row = PathTallyRow.objects.filter(path=flag.path_id).only("packed").first()
    if row is None:
        ahead = min(days, _LONGEST_DAYS)
    else:
        _, clock = unpacked(bytes(row.packed))
        offsets = np.arange(_LONGEST_DAYS + 1.0)
        run = clock.at(since + offsets).sum(axis=1) - clock.at([since]).sum()
        reached = np.flatnonzero(run >= days)
        ahead = float(offsets[reached[0]]) if len(reached) else float(_LONGEST_DAYS)
    due = moment_of(since + ahead).astimezone(zone).date()
    if before is None:
        raised_on = flag.raised_at.astimezone(zone).date()
        due = min(due, raised_on + dt.timedelta(days=FIRST_LOOK_DAYS))
    return due


def zone_of(place: Property) -> ZoneInfo:
    """By which days at a property are told."""
    return ZoneInfo(place.time_zone)


def rested(due: dt.date, before: Inspection | None, zone: ZoneInfo) -> dt.date:
    """The day due, not before the rest after a look that was skipped is over."""
    if before is None or before.state != InspectionState.SKIPPED or before.ended_at is None:
        return due
    skipped_on = before.ended_at.astimezone(zone).date()
    return max(due, skipped_on + dt.timedelta(days=SKIPPED_REST_DAYS))


def _energised_days(flag: Flag, chance: float) -> float:
    facts = flag.evidence
    posterior = shrunk_rates(
        [facts["failures"]], [facts["expected"]], PeerRates(1.0, facts["spread"], 0.0, 0)
    )
    expected = float(exposure_to_chance(posterior, chance)[0])
    a_day = facts["expected"] / facts["energised_days"] if facts["energised_days"] > 0.0 else 0.0
    return expected / a_day if a_day > 0.0 else float(_LONGEST_DAYS)


def _since(flag: Flag, before: Inspection | None, as_of: dt.datetime) -> dt.datetime:
    """The last failure on the stretch, or the last look that was done after it."""
    places = {place_of(one) for one in flag.places}
    failed = failures_by_path([flag.path_id], as_of).get(flag.path_id, [])
    days = [day for kind, code, day in failed if (kind, code) in places]
    since = moment_of(max(days)) if days else flag.raised_at
    looked = before is not None and before.state == InspectionState.DONE and before.ended_at
    return max(since, looked) if looked else since
