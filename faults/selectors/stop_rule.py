"""Reading whether a call has come near its limit, and what the ways on would cost."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from decimal import Decimal
from typing import Any

from django.db.models import QuerySet, Sum

from faults.models.call import FaultCall
from faults.models.repair import Repair
from faults.models.trace import Trace
from faults.models.work import ApprovalLimit, StopAnswer, WorkRules
from faults.services.work_rules import work_rules
from faults.stop_rule import SHARE_TO_ASK, Limit, Option, Rates, Spent, options, share_spent
from sites.models.device import Segment

Document = dict[str, Any]


@dataclass(frozen=True)
class StopQuestion:
    """Where a call stands against its limit. ``asks``: it is time to decide, and nobody has since
    the limit was set or, once it is all spent, since then."""

    limit: ApprovalLimit
    spent: Spent
    share: float | None
    ways: tuple[Option, ...]
    currency: str
    asks: bool

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


def stop_question(call: FaultCall) -> StopQuestion | None:
    """Where a call stands against its newest limit, None where it has none: at most seven
    queries. What the engine said last of the trace is taken; nothing is reckoned here."""
    limit = ApprovalLimit.objects.filter(call=call).order_by("-pk").first()
    if limit is None:
        return None
    rules = work_rules()
    rates = _rates(rules)
    traces = list(Trace.objects.filter(call=call).order_by("-pk"))
    spent = _spent(call, traces)
    share = share_spent(spent, _limit(limit), rates)
    standing = traces[0].standing if traces else {}
    remaining = standing.get("remaining_minutes")
    left = None if remaining is None else (remaining["p50"], remaining["p90"])
    ways = options(left, _stretch_m(call, standing), rates)
    answered = StopAnswer.objects.filter(limit=limit).order_by("-pk").first()
    return StopQuestion(limit, spent, share, ways, rules.currency, _asks(share, answered))


def stop_answers(call: FaultCall) -> QuerySet[StopAnswer]:
    """What was answered, the oldest first: one query."""
    return StopAnswer.objects.filter(call=call).select_related("limit").order_by("pk")


def _asks(share: float | None, answered: StopAnswer | None) -> bool:
    if share is None or share < SHARE_TO_ASK:
        return False
    if answered is None:
        return True
    return share >= 1.0 and (answered.question["share"] or 0.0) < 1.0


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


def _spent(call: FaultCall, traces: list[Trace]) -> Spent:
    done = Repair.objects.filter(call=call).aggregate(minutes=Sum("minutes"), money=Sum("money"))
    tracing_min = sum(float(trace.standing.get("minutes", 0.0)) for trace in traces)
    return Spent(tracing_min + (done["minutes"] or 0.0), float(done["money"] or 0))


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
