"""The limit up to which a call may go, and what is answered when it comes near."""

from __future__ import annotations

from decimal import Decimal

from django.db import transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one
from core.problems import Conflict, Defect, Invalid
from core.text_checks import line_defects, refuse_defects
from faults.models.call import FaultCall
from faults.models.work import ApprovalLimit, StopAnswer, StopChoice
from faults.selectors.stop_rule import stop_question
from faults.services.call_moves import MOST_WORDS


@transaction.atomic
def limit_set(
    *,
    call: FaultCall,
    minutes: float | None = None,
    money: Decimal | None = None,
    why: str = "",
    by: Actor,
) -> ApprovalLimit:
    """Approve a call up to so many minutes or so much money, one of them; the newest limit holds.

    Raises Invalid.
    """
    defects = list(line_defects("/why", why, MOST_WORDS))
    if (minutes is None) == (money is None):
        defects.append(Defect("/minutes", "one of minutes and money is wanted", "one of them"))
    if minutes is not None and not 0 < minutes <= 1_000_000:
        defects.append(Defect("/minutes", f"{minutes} is out of range", "above 0, at most 1000000"))
    if money is not None and not (money.is_finite() and 0 < money <= 10_000_000):
        defects.append(Defect("/money", f"{money} is out of range", "above 0, at most 10000000"))
    refuse_defects("limit", defects)
    held = locked_one(call)
    limit = ApprovalLimit.objects.create(
        call=held,
        minutes=minutes,
        money=money,
        why=why,
        at=now(),
        by_id=by.public_id,
        by_name=by.name,
    )
    change_record(
        by=by,
        action="call.limit-set",
        thing=("limit", held.public_id),
        thread_id=held.public_id,
        after={"minutes": minutes, "money": None if money is None else str(money), "why": why},
    )
    return limit


@transaction.atomic
def stop_answer(*, call: FaultCall, choice: str, why: str = "", by: Actor) -> StopAnswer:
    """Say what to do as the limit comes near; what was shown then is kept with it.

    One that is given before it is asked is kept too, and is asked for again when it is time.
    Raises Invalid, Conflict where the call has no limit.
    """
    defects = list(line_defects("/why", why, MOST_WORDS))
    if choice not in StopChoice.values:
        right = f"one of {', '.join(StopChoice)}"
        defects.append(Defect("/choice", f"{choice[:20]!r} is no way on", right))
    if defects:
        raise Invalid("The answer does not fit.", defects=defects)
    held = locked_one(call)
    question = stop_question(held)
    if question is None:
        raise Conflict("The call has no limit, so nothing is asked.")
    answer = StopAnswer.objects.create(
        call=held,
        limit=question.limit,
        question=question.document(),
        choice=choice,
        why=why,
        at=now(),
        by_id=by.public_id,
        by_name=by.name,
    )
    change_record(
        by=by,
        action="call.stop-answered",
        thing=("limit", held.public_id),
        thread_id=held.public_id,
        after={"choice": choice, "why": why, "share": question.share},
    )
    return answer
