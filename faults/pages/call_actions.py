"""What may be done next at a call: what comes next as a rule stands first."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

from django.urls import reverse

from faults.models.call import FaultCall
from faults.selectors.calls import call_moves
from faults.selectors.repairs import repair_list, return_test_list
from faults.services.closing import why_test_does_not_stand
from faults.transitions import ENDED, CallState

TRACED_FIRST = frozenset(
    {
        CallState.REPORTED,
        CallState.PLANNED,
        CallState.TRACING,
        CallState.NARROWED,
    }
)
"""States in which somebody is to work and nothing is proved yet, so that tracing comes next."""

_MOVED = {
    CallState.REPAIRING: "Begin the repair",
    CallState.RETURN_TESTING: "Begin the return test",
}


@dataclass(frozen=True)
class CallAction:
    """A button: it leads to ``url``, or, with ``to``, moves the call to that state. ``is_main``:
    it comes next as a rule."""

    label: str
    url: str
    to: str = ""
    is_main: bool = False


def call_actions(
    call: FaultCall, moves: Collection[CallState], *, is_traced: bool
) -> list[CallAction]:
    """What may be done at an open call beside tracing it: eight queries at most. While a trace is
    under way (``is_traced``) that comes next, and nothing here."""
    if call.state in ENDED:
        return []
    offered = list(_offered(call, moves, "" if is_traced else _next_step(call)))
    return sorted(offered, key=lambda one: not one.is_main)


def _offered(call: FaultCall, moves: Collection[CallState], first: str) -> Iterator[CallAction]:
    def page(name: str, label: str) -> CallAction:
        return CallAction(label, reverse(name, args=[call.public_id]), "", name == first)

    if call.state == CallState.WAITING:
        yield page("call-hand-on", "Wake it")
    if call.state == CallState.REPAIRING:
        yield page("call-repair", "Write the repair down")
    if call.state == CallState.RETURN_TESTING:
        yield page("call-return-test", "Make the return test")
    move = reverse("call-move", args=[call.public_id])
    for to, label in _MOVED.items():
        if to in moves:
            yield CallAction(label, move, str(to), to == first)
    if call.path_id is not None:
        yield page("call-restore", "Let the rest water")
    yield page("call-part", "A part came out")
    if CallState.CLOSED in moves:
        yield page("call-close", "Close the call")


def _next_step(call: FaultCall) -> str:
    """The page or the state that comes next, empty while tracing does."""
    match call.state:
        case CallState.WAITING:
            return "call-hand-on"
        case CallState.FOUND:
            return CallState.REPAIRING
        case CallState.REPAIRING:
            begun = call_moves(call).filter(to_state=CallState.REPAIRING).last()
            made = begun is not None and repair_list(call).filter(at__gte=begun.at).exists()
            return CallState.RETURN_TESTING if made else "call-repair"
        case CallState.RETURN_TESTING:
            against = why_test_does_not_stand(call, return_test_list(call).first())
            return "call-return-test" if against else "call-close"
    return ""
