"""Reading whether a call has come near its limit, and what the ways on would cost."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from decimal import Decimal
from typing import Any

from django.db.models import QuerySet, Sum

from faults.models.call import FaultCall
from faults.models.repair import Repair
from faults.models.trace import Trace
from faults.models.work import ApprovalLimit, StopAnswer, WorkRules
from faults.services.work_rules import work_rules
from faults.stop_rule import Limit, Option, Rates, Spent, is_asked, options, share_spent
from sites.models.device import Segment

Document = dict[str, Any]


@dataclass(frozen=True)
class StopStanding:
    """What a call has spent of its limit. ``asks``: it is time to decide, and nobody has since:
    an answer counts from 80 % of the limit on, and once all is spent it is asked once more."""

    limit: ApprovalLimit
    spent: Spent
    share: float | None
    asks: bool

    @property
    def is_unknown(self) -> bool:
        """A limit of money cannot be held against hours that have no rate."""
        return self.share is None


@dataclass(frozen=True)
class StopQuestion(StopStanding):
    """Where a call stands against its limit, and what the ways on would cost."""

    ways: tuple[Option, ...]
    currency: str

    def document(self) -> Document:
        """What is shown, as JSON can carry it."""
        return {
            "limit_minutes": self.limit.minutes,
            "limit_money": None if self.limit.money is None else str(self.limit.money),
            "spent": asdict(self.spent),
            "share": self.share,
            "currency": self.currency,
            "ways": [asdict(way) for way in self.ways],
        }


def stop_standings(calls: Sequence[FaultCall]) -> dict[int, StopStanding]:
    """What calls have spent of their newest limits, by the call's primary key, those without a
    limit left out: five queries, however many calls."""
    limits = {
        limit.call_id: limit
        for limit in ApprovalLimit.objects.filter(call__in=calls).order_by("pk")
    }
    if not limits:
        return {}
    rates = _rates(work_rules())
    spent = _spent(set(limits))
    answered: dict[int, list[float]] = defaultdict(list)
    answers = StopAnswer.objects.filter(limit__in=limits.values())
    for limit_id, question in answers.values_list("limit_id", "question"):
        answered[limit_id].append(question["share"] or 0.0)
    standings = {}
    for call_id, limit in limits.items():
        share = share_spent(spent[call_id], _limit(limit), rates)
        asks = is_asked(share, answered[limit.pk])
        standings[call_id] = StopStanding(limit, spent[call_id], share, asks)
    return standings


def stop_question(call: FaultCall) -> StopQuestion | None:
    """Where a call stands against its newest limit, None where it has none: at most eight
    queries. What the engine said last of the trace is taken; nothing is reckoned here."""
    found = stop_standings([call]).get(call.pk)
    if found is None:
        return None
    rules = work_rules()
    trace = Trace.objects.filter(call=call).order_by("-pk").first()
    standing = trace.standing if trace else {}
    remaining = standing.get("remaining_minutes")
    left = None if remaining is None else (remaining["p50"], remaining["p90"])
    ways = options(left, _stretch_m(call, standing), _rates(rules))
    return StopQuestion(found.limit, found.spent, found.share, found.asks, ways, rules.currency)


def stop_answers(call: FaultCall) -> QuerySet[StopAnswer]:
    """What was answered, the oldest first: one query."""
    return StopAnswer.objects.filter(call=call).select_related("limit").order_by("pk")


def _limit(row: ApprovalLimit) -> Limit:
    return Limit(row.minutes, None if row.money is None else float(row.money))


def _rates(rules: WorkRules) -> Rates:
    return Rates(
        hour_money=_number(rules.hour_money),
        renew_metre_money=_number(rules.renew_metre_money),
        renew_metre_min=rules.renew_metre_min,
        repair_min=rules.repair_min,
    )


def _number(money: Decimal | None) -> float | None:
    return None if money is None else float(money)


def _spent(call_ids: set[int]) -> dict[int, Spent]:
    minutes: dict[int, float] = defaultdict(float)
    money: dict[int, float] = defaultdict(float)
    traces = Trace.objects.filter(call__in=call_ids)
    for call_id, traced_min in traces.values_list("call_id", "standing__minutes"):
        minutes[call_id] += traced_min or 0.0
    repairs = Repair.objects.filter(call__in=call_ids).order_by().values("call_id")
    for row in repairs.annotate(all_min=Sum("minutes"), all_money=Sum("money")):
        minutes[row["call_id"]] += row["all_min"] or 0.0
        money[row["call_id"]] += float(row["all_money"] or 0)
    return {call_id: Spent(minutes[call_id], money[call_id]) for call_id in call_ids}


def _stretch_m(call: FaultCall, standing: Document) -> float | None:
    """The length of the first suspect, if it is a cable; else of the cables at its end."""
    suspects = standing.get("suspects") or [{}]
    place = suspects[0].get("at", {})
    live = Segment.objects.filter(path_id=call.path_id, to_revision__isnull=True)
    if "segment" in place:
        rows = live.filter(code=place["segment"])
    elif "splice" in place:
        rows = live.filter(from_code=place["splice"]) | live.filter(to_code=place["splice"])
    else:
        return None
    total: float | None = rows.aggregate(total=Sum("length_m"))["total"]
    return total
