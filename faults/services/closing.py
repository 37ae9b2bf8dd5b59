"""What a call has to have before it is closed: a return test that passed and still stands, or a
reason for closing without one."""

from __future__ import annotations

from core.problems import Defect, Invalid
from faults.left_things import SPOILS_A_TEST
from faults.left_words import left_words
from faults.models.call import CallMove, FaultCall
from faults.models.event import EventKind, FaultEvent
from faults.models.repair import Repair
from faults.models.return_test import ReturnTest
from faults.services.as_left import left_live
from faults.transitions import CallOutcome, CallState

_BACK_AT_WORK = (
    CallState.REPORTED,
    CallState.TRACING,
    CallState.NARROWED,
    CallState.FOUND,
    CallState.REPAIRING,
)


def closing_test(held: FaultCall, outcome: str, untested_why: str) -> ReturnTest | None:
    """The return test that a call is closed on, None where a reason stands instead.

    A call that is *repaired* wants the test or the reason said apart; with any other outcome
    nothing was put right, and its own reason is the reason. Raises Invalid.
    """
    test = ReturnTest.objects.filter(call=held).order_by("-pk").first()
    against = why_test_does_not_stand(held, test)
    if not against:
        return test
    if outcome == CallOutcome.REPAIRED and not untested_why.strip():
        right = "a passed return test, or why it is closed without one"
        raise Invalid(
            "A repaired call is closed on a passed return test.",
            defects=[Defect("/untested_why", against, right)],
        )
    return None


def why_test_does_not_stand(call: FaultCall, test: ReturnTest | None) -> str:
    """What speaks against closing a call on its newest return test, in words; empty: nothing.

    At most four queries.
    """
    if test is None:
        return "no return test was made"
    if not test.passed:
        return f"the return test did not pass: {'; '.join(test.failures)}"[:500]
    if Repair.objects.filter(call=call, pk__gt=test.repair_id or 0).exists():
        return "a repair came after the return test"
    later = CallMove.objects.filter(call=call, pk__gt=test.after_move_id)
    if later.filter(to_state__in=_BACK_AT_WORK).exists():
        return "the call went back to work after the return test"
    messages = FaultEvent.objects.filter(call_links__call=call, kind=EventKind.OVERCURRENT)
    # Of one that had come in before the test the clock that dated it runs ahead.
    if messages.filter(at__gt=test.at, received_at__gt=test.at).exists():
        return "an overcurrent message came after the return test"
    spoils = left_live(call.path_id).filter(kind__in=SPOILS_A_TEST).first()
    if spoils is not None:
        return f"left on the path: {left_words(spoils)}"
    return ""
