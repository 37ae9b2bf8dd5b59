"""Answers for what is left on a path."""

from __future__ import annotations

from faults.models import FaultCall
from faults.selectors.as_left import as_left_list
from faults.services.as_left import LeftAnswer


def answers_for(
    call: FaultCall, answer: str = "kept", why: str = "as agreed"
) -> tuple[LeftAnswer, ...]:
    """The same answer for each thing that is left on the call's path."""
    if call.path is None:
        return ()
    return tuple(LeftAnswer(item.public_id, answer, why) for item in as_left_list(call.path))
