"""Whatever is done in whatever order, no call closes without a passed return test or a reason."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import transaction
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from core.accounts.actor import Actor
from core.clock import now
from core.problems import Problem
from faults.left_things import SPOILS_A_TEST, LeftThing
from faults.models import CallMove, FaultCall, LeftKind, Repair, SoakCheck
from faults.selectors.calls import call_get
from faults.services.as_left import as_left_add, as_left_answer
from faults.services.call_moves import Move, call_move
from faults.services.calls import Where, call_open
from faults.services.events import EventReport, event_report
from faults.services.partial_restores import RestoreDone, partial_restore_done
from faults.services.repairs import repair_record
from faults.services.return_tests import return_test_record
from faults.services.soak_checks import soak_check_done
from faults.services.waiting import calls_wake
from faults.transitions import LEGAL_MOVES, CallOutcome, CallState
from tests.faults.leaving import answers_for
from tests.faults.places import path_at_new_place
from tests.repairs.field import REMADE, readings_of

_BACK_AT_WORK = {"reported", "tracing", "narrowed", "found", "repairing"}


class Work(RuleBasedStateMachine):
    """One path, one call at a time, and people who try everything.

    ``stands`` is this machine's own book of whether a passed test still shows the path sound.
    """

    by: Actor

    def __init__(self) -> None:
        super().__init__()
        self.together = transaction.atomic()
        self.together.__enter__()
        self.path = path_at_new_place(self.by)
        self.call = call_open(where=Where.of_path(self.path), by=self.by)
        self.good = readings_of(self.path)
        self.stands = False
        self.spoilt: set[str] = set()
        self.closed_on_tests = 0

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.together.__exit__(None, None, None)

    def tried(self, act: Any) -> bool:
        """Whether it was done; a refusal leaves no half."""
        try:
            with transaction.atomic():
                act()
        except Problem:
            return False
        finally:
            self.call = call_get(self.call.public_id)
            if self.call.state in _BACK_AT_WORK:
                self.stands = False
        return True

    @rule(
        to=st.sampled_from(CallState),
        why=st.sampled_from(["", "as agreed"]),
        outcome=st.sampled_from(["", *CallOutcome]),
        untested=st.sampled_from(["", "", "no power at the site"]),
        answer=st.sampled_from(["", "kept", "restored"]),
        behind=st.integers(0, 1),
    )
    def move(
        self, to: str, why: str, outcome: str, untested: str, answer: str, behind: int
    ) -> None:
        left = answers_for(self.call, answer) if answer else ()
        move = Move(
            to,
            why,
            outcome,
            now().date() if to == "waiting" else None,
            untested_why=untested,
            left=left,
        )
        version = self.call.version - behind
        stood = self.stands and not self.spoilt
        if not self.tried(
            lambda: call_move(call=self.call, move=move, version=version, by=self.by)
        ):
            return
        assert behind == 0
        if answer == "restored":
            self.spoilt.clear()
        if to == CallState.CLOSED:
            assert why
            assert outcome
            if outcome == CallOutcome.REPAIRED and not untested:
                assert stood
                self.closed_on_tests += 1

    @rule(to=st.sampled_from(["planned", "repairing", "return-testing"]))
    def go_on(self, to: str) -> None:
        """The usual way, so that the rare states are met often."""
        left = answers_for(self.call)
        self.tried(
            lambda: call_move(
                call=self.call, move=Move(to, left=left), version=self.call.version, by=self.by
            )
        )

    @rule()
    def close_as_repaired(self) -> None:
        left = answers_for(self.call)
        stood = self.stands and not self.spoilt
        move = Move("closed", "done", "repaired", left=left)
        if self.tried(
            lambda: call_move(call=self.call, move=move, version=self.call.version, by=self.by)
        ):
            assert stood
            self.closed_on_tests += 1

    @rule()
    def whole_repair(self) -> None:
        """All of the usual way at once, up to the test; each part is tried as in the others."""
        for to in ("planned", "repairing"):
            self.go_on(to)
        self.answer("restored")
        self.repair()
        self.go_on("return-testing")
        self.good_test()

    @rule()
    def repair(self) -> None:
        if self.tried(lambda: repair_record(call=self.call, details=REMADE, by=self.by)):
            self.stands = False

    @rule(coil_out=st.booleans(), quiet_min=st.sampled_from([2.0, 5.0, 60.0]))
    def return_test(self, coil_out: bool, quiet_min: float) -> None:
        readings = readings_of(self.path, coil_out=coil_out, quiet_min=quiet_min)
        if self.tried(lambda: return_test_record(call=self.call, readings=readings, by=self.by)):
            self.stands = coil_out and quiet_min >= 5.0 and not self.spoilt

    @rule()
    def good_test(self) -> None:
        if self.tried(lambda: return_test_record(call=self.call, readings=self.good, by=self.by)):
            self.stands = not self.spoilt

    @rule(kind=st.sampled_from([LeftKind.JOINT_OPEN, LeftKind.LID_UP, LeftKind.TAG]))
    def leave(self, kind: LeftKind) -> None:
        thing = LeftThing(kind, "S1/to" if kind == LeftKind.JOINT_OPEN else "N1")
        if (
            self.tried(lambda: as_left_add(call=self.call, thing=thing, by=self.by))
            and kind in SPOILS_A_TEST
        ):
            self.spoilt.add(thing.key)

    @rule(answer=st.sampled_from(["kept", "restored"]))
    def answer(self, answer: str) -> None:
        answers = answers_for(self.call, answer)
        if (
            self.tried(lambda: as_left_answer(call=self.call, answers=answers, by=self.by))
            and answer == "restored"
        ):
            self.spoilt.clear()

    @rule()
    def leave_part_off(self) -> None:
        done = RestoreDone(({"device": "D5"},), (5,))
        if self.tried(
            lambda: partial_restore_done(
                call=self.call, done=done, version=self.call.version, by=self.by
            )
        ):
            self.spoilt.add("isolated:device:D5")

    @rule(kind=st.sampled_from(["overcurrent", "rain", "cleared"]))
    def event(self, kind: str) -> None:
        report = EventReport(kind, now(), path=self.path.public_id)
        result = event_report(report=report, by=self.by)
        if kind == "overcurrent":
            assert result.call is not None
            self.stands = self.stands and result.call != self.call
            self.call = result.call
        self.call = call_get(self.call.public_id)
        if result.call is not None and result.call.overcurrents and kind == "overcurrent":
            self.stands = False

    @rule()
    def wake(self) -> None:
        calls_wake(by=self.by)
        self.call = call_get(self.call.public_id)
        if self.call.state in _BACK_AT_WORK:
            self.stands = False

    @rule(state=st.sampled_from(["held", "failed"]))
    def soak(self, state: str) -> None:
        check = SoakCheck.objects.filter(repair__call=self.call, state="open").first()
        if check is not None:
            self.tried(
                lambda: soak_check_done(
                    check=check, state=state, note="as seen", version=check.version, by=self.by
                )
            )

    @invariant()
    def closed_calls_have_a_test_or_a_reason(self) -> None:
        for call in FaultCall.objects.select_related("closing_test"):
            test = call.closing_test
            if call.state != CallState.CLOSED:
                assert (test, call.untested_why) == (None, "")
                continue
            assert call.outcome
            assert call.outcome_reason
            if test is None:
                assert call.untested_why
                continue
            assert test.passed
            assert test.call_id == call.pk
            assert not Repair.objects.filter(call=call, pk__gt=test.repair_id or 0).exists()

    @invariant()
    def every_move_was_legal_and_follows_the_one_before(self) -> None:
        at: dict[int, str] = {}
        for move in CallMove.objects.order_by("pk"):
            assert move.from_state == at.get(move.call_id, "")
            if move.from_state:
                assert move.to_state in LEGAL_MOVES[CallState(move.from_state)]
            at[move.call_id] = move.to_state
        assert at == {call.pk: call.state for call in FaultCall.objects.all()}


CLOSED_ON_TESTS: list[int] = []


@pytest.mark.slow
def test_no_way_closes_a_call_without_a_passed_test_or_a_reason(by: Actor) -> None:
    CLOSED_ON_TESTS.clear()

    class Ours(Work):
        def teardown(self) -> None:
            CLOSED_ON_TESTS.append(self.closed_on_tests)
            super().teardown()

    Ours.by = by
    run_state_machine_as_test(
        Ours,
        settings=settings(
            max_examples=60,
            stateful_step_count=40,
            deadline=None,
            derandomize=True,
            database=None,
        ),
    )
    # The machine has to have got there, or it has shown nothing.
    assert sum(CLOSED_ON_TESTS) > 0
