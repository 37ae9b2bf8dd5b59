"""The supervisor's board: every open call by what it costs in water not given."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from core.accounts.actor import Actor
from core.clock import now
from core.pages.access import may_change, page
from faults.models.call import FaultCall
from faults.models.dispatch import PlannedVisit
from faults.models.repair import SoakCheck
from faults.models.trace import Trace
from faults.pages.hand_on import holder_choices, holder_of
from faults.selectors.as_left import as_left_counts
from faults.selectors.call_urgency import call_dryness
from faults.selectors.calls import call_list
from faults.selectors.day_plans import visits_done, visits_to_come
from faults.selectors.repairs import soak_checks_due
from faults.selectors.stop_rule import StopStanding, stop_standings
from faults.selectors.traces import trace_list
from faults.station_hours import Dryness
from faults.transitions import ENDED, CallState

MOST_ROWS = 200
NOBODY = "nobody"


@dataclass(frozen=True)
class BoardRow:
    """One open call as the board shows it. ``left``: how many things are left on its path;
    ``limit``: where it stands against its limit, if it has one; ``done``: the visit that ended and
    after which none is planned; ``visit``: the one to come, or under way."""

    call: FaultCall
    dry: Dryness
    trace: Trace | None
    holder: str
    is_late: bool
    left: int
    limit: StopStanding | None
    done: PlannedVisit | None = None
    visit: PlannedVisit | None = None


@require_safe
@page
def board(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Open calls, those with the most stations × hours first; ``?state=`` and ``?who=`` pick."""
    calls = list(call_list().select_related("crew", "person"))
    state, who = request.GET.get("state", ""), request.GET.get("who", "")
    # The heading tells of all open calls, whichever are shown.
    all_rows = _rows(calls)
    rows = [row for row in all_rows if _is_picked(row.call, state, who)]
    context = {
        "rows": rows[:MOST_ROWS],
        "more_rows": max(0, len(rows) - MOST_ROWS),
        "count": len(calls),
        "waiting": sum(one.state == CallState.WAITING for one in calls),
        "stations": sum(row.dry.stations for row in all_rows),
        "states": [(one.value, one.label) for one in CallState if one not in ENDED],
        "holders": holder_choices(),
        "state": state,
        "who": who,
        "nobody": NOBODY,
        "checks": [(check, _is_past(check)) for check in soak_checks_due()],
        "may_change": may_change(actor),
    }
    return render(request, "faults/board.html", context)


def _is_picked(call: FaultCall, state: str, who: str) -> bool:
    if state and call.state != state:
        return False
    holder = holder_of(call)
    return not who or (not holder if who == NOBODY else holder == who)


def _rows(calls: list[FaultCall]) -> list[BoardRow]:
    """Fifteen queries at most, however many calls."""
    dryness = call_dryness(calls)
    running = trace_list().filter(call__in=calls, ended_at__isnull=True)
    traces = {trace.call_id: trace for trace in running}
    left = as_left_counts([call.path for call in calls if call.path is not None])
    limits = stop_standings(calls)
    done, to_come = visits_done(calls), visits_to_come(calls)
    at = now()
    rows = [
        BoardRow(
            call=call,
            dry=dryness[call.pk],
            trace=traces.get(call.pk),
            holder=holder_of(call),
            is_late=is_late(call, at),
            left=left.get(call.path_id or 0, 0),
            limit=limits.get(call.pk),
            done=done.get(call.pk),
            visit=to_come.get(call.pk),
        )
        for call in calls
    ]
    return sorted(rows, key=lambda row: (-row.dry.station_hours, row.call.opened_at, row.call.pk))


def is_late(call: FaultCall, at: dt.datetime) -> bool:
    """Whether a promise has run out."""
    return call.closed_at is None and call.promised_by is not None and call.promised_by < at


def _is_past(check: SoakCheck) -> bool:
    """Whether the last day of a check is over at its property."""
    zone = ZoneInfo(check.repair.call.property.time_zone)
    return check.due_by < now().astimezone(zone).date()
