"""Whatever is done in whatever order, no call closes without a passed return test or a reason."""

from __future__ import annotations

from typing import Any

import pytest
from django import conf
from django.db import connection, transaction
from hypothesis import Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    rule,
    run_state_machine_as_test,
)

from core.accounts.actor import Actor
from core.clock import now
from core.models import Contractor
from core.problems import Problem
from faults.left_things import SPOILS_A_TEST, LeftThing
from faults.models import LeftKind, SoakCheck
from faults.selectors.calls import call_get
from faults.services.as_left import LeftAnswer, as_left_add, as_left_answer
from faults.services.call_moves import Move, call_move
from faults.services.calls import Where, call_open
from faults.services.events import EventReport, event_report
from faults.services.partial_restores import RestoreDone, partial_restore_done
from faults.services.repairs import repair_record
from faults.services.return_tests import return_test_record
from faults.services.soak_checks import soak_check_done
from faults.services.waiting import calls_wake
from faults.transitions import CallOutcome, CallState
from tests.faults.leaving import answers_for
from tests.faults.places import path_at_new_place
from tests.repairs import ways
from tests.repairs.field import REMADE, readings_of
from tests.repairs.ways import Door, doors

_BACK_AT_WORK = {"reported", "tracing", "narrowed", "found", "repairing"}


class Work(RuleBasedStateMachine):
    """One path, one call at a time, and people who try everything.

    ``stands`` is this machine's own book of whether a passed test still shows the path sound.
    """

    by: Actor
    doors: list[Door]

    def __init__(self) -> None:
        super().__init__()
        self.together = transaction.atomic()
        self.together.__enter__()
        self.seen_tags: dict[int, str] = {}
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

    @initialize(how=st.sampled_from(["new", "tested", "closed"]))
    def begin(self, how: str) -> None:
        """So that every example has something to break."""
        if how != "new":
            self.whole_repair(closes=how == "closed")

    @rule(closes=st.booleans())
    def whole_repair(self, closes: bool) -> None:
        """All of the usual way at once, up to the test or the end; each part is tried as in the
        others."""
        for to in ("planned", "repairing"):
            self.go_on(to)
        self.answer("restored")
        self.repair()
        self.go_on("return-testing")
        self.good_test()
        if closes:
            self.close_as_repaired()

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

    @rule(
        door=st.integers(0, 100),
        to=st.sampled_from(CallState),
        why=st.sampled_from(["", "as agreed"]),
        outcome=st.sampled_from(["", *CallOutcome]),
        untested=st.sampled_from(["", "", "no power at the site"]),
        answer=st.sampled_from(["", "kept", "restored"]),
        is_stale=st.booleans(),
    )
    def move_over_http(
        self,
        door: int,
        to: str,
        why: str,
        outcome: str,
        untested: str,
        answer: str,
        is_stale: bool,
    ) -> None:
        """By anybody; ``is_stale``: with the tag of what they saw some steps ago."""
        who = self.doors[door % len(self.doors)]
        tag = self.seen_tags.get(self.call.pk, "") if is_stale else ""
        # Who may move and not read has it from somebody who reads.
        tag = tag or self.doors[0].tag(self.call)
        said = {"to": str(to), "why": why, "outcome": str(outcome), "untested_why": untested}
        if to == "waiting":
            said["until"] = now().date().isoformat()
        left = answers_for(self.call, answer) if answer else ()
        self._sent(who, outcome if to == "closed" else "", untested, answer, tag, said, left)

    def _sent(
        self,
        who: Door,
        outcome: str,
        untested: str,
        answer: str,
        tag: str,
        said: dict[str, Any],
        left: tuple[LeftAnswer, ...],
    ) -> None:
        stood, before = self.stands and not self.spoilt, self.call.version
        status = who.move(self.call, tag, said, left)
        self.seen_tags.setdefault(self.call.pk, tag)
        self.call = call_get(self.call.public_id)
        assert status in {201, 403, 409, 412, 422}, status
        assert (status == 201) == (self.call.version > before)
        if self.call.state in _BACK_AT_WORK:
            self.stands = False
        if status != 201:
            assert who.may or status == 403
            return
        assert who.may
        if answer == "restored":
            self.spoilt.clear()
        if outcome == CallOutcome.REPAIRED and not untested:
            assert stood
            self.closed_on_tests += 1

    @rule(
        door=st.integers(0, 100),
        outcome=st.sampled_from(CallOutcome),
        untested=st.sampled_from(["", "", "no power at the site"]),
        answer=st.sampled_from(["kept", "restored"]),
    )
    def close_on_the_page(self, door: int, outcome: str, untested: str, answer: str) -> None:
        pages = [one for one in self.doors if one.browser is not None]
        who = pages[door % len(pages)]
        stood, before = self.stands and not self.spoilt, self.call.version
        said = {"outcome": str(outcome), "why": "done", "untested_why": untested}
        status = who.close_on_the_page(self.call, said, answers_for(self.call, answer))
        self.call = call_get(self.call.public_id)
        assert who.may or status == 403
        if self.call.version > before:
            assert (status, self.call.state) == (302, "closed")
            if answer == "restored":
                self.spoilt.clear()
            if outcome == CallOutcome.REPAIRED and not untested:
                assert stood
                self.closed_on_tests += 1

    @rule(door=st.integers(0, 100), name=st.sampled_from(["state", "closing_test", "closed_at"]))
    def edit_what_is_not_to_be_edited(self, door: int, name: str) -> None:
        who, before = self.doors[door % len(self.doors)], self.call.version
        tag = self.doors[0].tag(self.call)
        answer = who.asker.patch(
            f"/calls/{self.call.public_id}", {name: "closed"}, If_Match=tag or '"v1"'
        )
        assert answer.status_code in {403, 422}
        assert call_get(self.call.public_id).version == before

    @invariant()
    def what_always_holds(self) -> None:
        ways.closed_calls_have_a_test_or_a_reason()
        ways.found_calls_have_a_proof()
        ways.every_move_was_legal_and_follows_the_one_before()
        ways.one_call_is_open_a_path()


CLOSED_ON_TESTS: list[int] = []


def tried_out(machine: type[Work], examples: int, steps: int) -> int:
    """Play a machine; how often a call was closed on a test."""
    CLOSED_ON_TESTS.clear()

    class Ours(machine):  # type: ignore[misc,valid-type]
        def teardown(self) -> None:
            CLOSED_ON_TESTS.append(self.closed_on_tests)
            super().teardown()

    run_state_machine_as_test(
        Ours,
        settings=settings(
            max_examples=examples,
            stateful_step_count=steps,
            deadline=None,
            derandomize=True,
            database=None,
            phases=[Phase.generate],
        ),
    )
    return sum(CLOSED_ON_TESTS)


@pytest.fixture
def _tries(by: Actor, contractor: Contractor) -> None:
    Work.by, Work.doors = by, doors(contractor)


@pytest.mark.slow
@pytest.mark.usefixtures("_tries")
def test_no_way_closes_a_call_without_a_passed_test_or_a_reason() -> None:
    # On PostgreSQL each step costs several times as much, and the rules are the same.
    examples = 15 if connection.vendor == "sqlite" else 8
    # The machine has to have got there, or it has shown nothing.
    assert tried_out(Work, examples, 40) > 0


@pytest.mark.usefixtures("_tries")
def test_a_few_tries_find_no_way_either() -> None:
    tried_out(Work, 3, 15)


def test_there_is_no_admin_to_go_round_by() -> None:
    assert not [app for app in conf.settings.INSTALLED_APPS if "admin" in app]
