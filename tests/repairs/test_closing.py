"""A call closes on a passed return test that still stands, or says why without one."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from core.accounts.actor import Actor
from core.clock import now
from core.models import Change
from core.problems import IllegalMove, Invalid
from faults.left_things import LeftThing
from faults.left_words import left_words
from faults.models import CallMove, FaultCall, LeftKind, Repair, RepairFailure, SoundRecord
from faults.selectors.leg_rises import rises_at
from faults.services.as_left import LeftAnswer, as_left_add, as_left_answer
from faults.services.events import event_report
from faults.services.repairs import repair_did_not_hold, repair_record
from faults.services.return_tests import LegReading, return_test_record
from tests.faults.hunts import Hunt
from tests.faults.leaving import answers_for
from tests.faults.test_endings import LAST_CLAMP, proved
from tests.faults.test_events import seen
from tests.repairs.field import REMADE, moved, opened, readings_of, repaired, return_test

RISEN = 1.14
"""A leg of 70 mA may rise by so much and pass, and it is past what meters explain."""


def close(call: FaultCall, by: Actor, **more: Any) -> FaultCall:
    return moved(call, "closed", by, **({"outcome": "repaired"} | more))


def refused_for(call: FaultCall, by: Actor) -> str:
    """Why closing as repaired is refused; the call stays as it is."""
    before = FaultCall.objects.get(pk=call.pk)
    with pytest.raises(Invalid) as invalid:
        close(call, by)
    (defect,) = invalid.value.defects
    assert defect.pointer == "/untested_why"
    after = FaultCall.objects.get(pk=call.pk)
    assert (after.state, after.version) == (before.state, before.version)
    return defect.what


def test_a_repair_is_closed_on_its_passed_return_test(by: Actor) -> None:
    call = opened(by)
    repair = repaired(call, by)
    assert refused_for(call, by) == "no return test was made"
    test = return_test(call, by)
    assert (test.passed, test.failures, test.repair) == (True, [], repair)
    assert {leg.within for leg in test.legs.all()} == {True}
    closed = close(call, by)
    assert (closed.state, closed.closing_test, closed.untested_why) == ("closed", test, "")
    assert SoundRecord.objects.filter(test=test, source="return-test").count() == len(
        readings_of(test.path).legs
    )
    moves = CallMove.objects.filter(call=call).order_by("pk").values_list("to_state", flat=True)
    assert list(moves) == ["reported", "planned", "repairing", "return-testing", "closed"]
    told = Change.objects.filter(thread_id=call.public_id, action="return-test.recorded").get()
    assert told.after["passed"] is True


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"coil_out": False}, "the series coil is in"),
        ({"message_shown": True}, "the controller showed a message"),
        ({"quiet_min": 4.9}, "watched for 4.9 minutes; 5 are wanted"),
        ({"factor": 0.01}, "by the prediction"),
        ({"factor": 4.0}, "by the prediction"),
        ({"factor": 0.0}, "by the prediction"),
        ({"legs": ()}, "was not read"),
    ],
)
def test_what_speaks_against_a_path_fails_its_return_test(
    by: Actor, more: dict[str, Any], words: str
) -> None:
    call = opened(by)
    repaired(call, by)
    test = return_test(call, by, **more)
    assert not test.passed
    assert any(words in failure for failure in test.failures)
    assert words in refused_for(call, by)
    assert not SoundRecord.objects.exists()


def test_what_is_open_or_isolated_fails_the_test_until_it_is_put_back(by: Actor) -> None:
    call = opened(by)
    repaired(call, by)
    for kind, name in ((LeftKind.JOINT_OPEN, "S1/to"), (LeftKind.ISOLATED, "device:D5")):
        as_left_add(call=call, thing=LeftThing(kind, name), by=by)
    as_left_add(call=call, thing=LeftThing(LeftKind.LID_UP, "N1"), by=by)
    test = return_test(call, by)
    assert test.failures == [
        "left on the path: Joint of cable run S1 open at its “to” end",
        "left on the path: Out of the path: device D5",
    ]
    as_left_answer(call=call, answers=answers_for(call, "restored", ""), by=by)
    assert return_test(call, by).passed


def test_a_leg_is_held_against_its_sound_record_once_there_is_one(by: Actor) -> None:
    call = opened(by)
    repaired(call, by)
    assert return_test(call, by).passed
    close(call, by)
    again = opened(by, call.path)
    repaired(again, by)
    risen = return_test(again, by, factor=1.3)
    assert {(leg.basis, leg.within) for leg in risen.legs.all()} == {("sound-record", False)}
    assert "by the sound record" in risen.failures[0]
    assert return_test(again, by, factor=1.05).passed


def test_a_passed_test_tells_the_legs_that_draw_more_than_before(by: Actor) -> None:
    call = opened(by)
    repaired(call, by)
    first, same = return_test(call, by), return_test(call, by)
    higher = return_test(call, by, factor=RISEN)
    too_high = return_test(call, by, factor=2.0)
    lower = return_test(call, by)
    assert [test.passed for test in (first, same, higher, too_high, lower)] == (
        [True, True, True, False, True]
    )
    with CaptureQueriesContext(connection) as asked:
        rises = rises_at([first, same, higher, too_high, lower])
    assert len(asked) == 1
    # The other leg draws so little that the meter's counts explain as much.
    (rise,) = rises[higher.pk]
    read = {leg.leg: leg.current_ma for leg in higher.legs.all()}
    before = SoundRecord.objects.get(test=same, leg="S1")
    assert (rise.leg, rise.now_ma, rise.before_at) == ("S1", read["S1"], before.at)
    assert not any(rises[test.pk] for test in (first, same, too_high, lower))
    with CaptureQueriesContext(connection) as asked:
        assert rises_at([too_high]) == {too_high.pk: ()}
    assert len(asked) == 0


def test_a_leg_that_is_no_leg_is_refused(by: Actor) -> None:
    call = opened(by)
    repaired(call, by)
    assert call.path is not None
    wrong = readings_of(call.path, legs=(LegReading("S99", 10.0), LegReading("S1", float("nan"))))
    with pytest.raises(Invalid) as invalid:
        return_test_record(call=call, readings=wrong, by=by)
    assert [d.pointer for d in invalid.value.defects] == ["/legs/1/current_ma", "/legs/0/leg"]


def after_repair(call: FaultCall, by: Actor) -> None:
    moved(call, "repairing", by)
    repair_record(call=call, details=REMADE, by=by)
    moved(call, "return-testing", by)


def after_message(call: FaultCall, by: Actor) -> None:
    assert call.path is not None
    event_report(report=seen(call.path), by=by)


def after_opening(call: FaultCall, by: Actor) -> None:
    as_left_add(call=call, thing=LeftThing(LeftKind.JOINT_OPEN, "S1/to"), by=by)


def after_tracing(call: FaultCall, by: Actor) -> None:
    moved(call, "tracing", by)


@pytest.mark.parametrize(
    ("happens", "words"),
    [
        (after_repair, "a repair came after"),
        (after_message, "an overcurrent message came after"),
        (after_opening, "left on the path: Joint of cable run S1 open"),
        (after_tracing, "went back to work"),
    ],
)
def test_what_comes_after_a_passed_test_takes_its_ground(
    by: Actor, happens: Any, words: str
) -> None:
    call = opened(by)
    repaired(call, by)
    assert return_test(call, by).passed
    happens(call, by)
    assert words in refused_for(call, by)


def test_a_message_dated_ahead_that_came_before_the_test_takes_nothing(by: Actor) -> None:
    call = opened(by)
    assert call.path is not None
    ahead = replace(seen(call.path), at=now() + dt.timedelta(hours=20))
    event_report(report=ahead, by=by)
    repaired(call, by)
    assert return_test(call, by).passed
    assert close(call, by).state == "closed"


@pytest.mark.parametrize(
    ("kind", "name", "key"),
    [
        (LeftKind.ISOLATED, "D5", "isolated:device:D5"),
        (LeftKind.ISOLATED, "splice:N1", "isolated:splice:N1"),
        (LeftKind.LEG_OFF, "S1", "leg-off:S1"),
        (LeftKind.TAG, "T7", "tag:T7"),
        (LeftKind.ISOLATED, "D99", None),
        (LeftKind.ISOLATED, "tree:D5", None),
        (LeftKind.LEG_OFF, "D5", None),
        (LeftKind.JOINT_OPEN, "S1", None),
        (LeftKind.JOINT_CLOSED, "S99/to", None),
    ],
)
def test_what_is_left_is_named_as_the_map_has_it(
    by: Actor, kind: LeftKind, name: str, key: str | None
) -> None:
    call = opened(by)
    if key is not None:
        item = as_left_add(call=call, thing=LeftThing(kind, name), by=by)
        assert item.key == key
        assert name.rpartition(":")[2] in left_words(item)
        return
    with pytest.raises(Invalid) as invalid:
        as_left_add(call=call, thing=LeftThing(kind, name), by=by)
    (defect,) = invalid.value.defects
    assert (defect.pointer, repr(name) in defect.what, "such as" in defect.right) == (
        "/name",
        True,
        kind != LeftKind.LEG_OFF,
    )


def test_a_reason_closes_a_call_without_a_test_and_is_kept(by: Actor) -> None:
    call = opened(by)
    repaired(call, by)
    closed = close(call, by, untested_why="no power at the site until May")
    assert (closed.closing_test, closed.untested_why) == (None, "no power at the site until May")
    other = moved(opened(by), "closed", by, outcome="not-present", why="held when it was put back")
    assert other.untested_why == "held when it was put back"


def test_the_database_keeps_no_closed_call_without_either(by: Actor) -> None:
    call = moved(opened(by), "closed", by, outcome="other", why="sold")
    with pytest.raises(IntegrityError), transaction.atomic():
        FaultCall.objects.filter(pk=call.pk).update(untested_why="")


def test_repairs_and_tests_have_their_state_and_say_which_moves_are_legal(by: Actor) -> None:
    call = opened(by)
    with pytest.raises(IllegalMove) as illegal:
        repair_record(call=call, details=REMADE, by=by)
    legal = ["planned", "waiting", "tracing", "closed", "cancelled"]
    assert illegal.value.extra == {"state": "reported", "legal": legal}
    with pytest.raises(IllegalMove) as illegal:
        return_test(call, by)
    assert illegal.value.extra == {"state": "reported", "legal": legal}
    assert not Repair.objects.exists()


def test_opening_a_repaired_call_again_links_it_to_the_repair_that_did_not_hold(by: Actor) -> None:
    call = opened(by)
    repair = repaired(call, by)
    return_test(call, by)
    close(call, by)
    reopened = moved(call, "reported", by, why="the message is back")
    assert (reopened.outcome, reopened.closing_test, reopened.untested_why) == ("", None, "")
    failure = RepairFailure.objects.get()
    assert (failure.repair, failure.call, failure.why) == (repair, call, "the message is back")
    assert refused_for(call, by) == "the call went back to work after the return test"
    moved(call, "cancelled", by)
    later = opened(by, call.path)
    linked = repair_did_not_hold(repair=repair, call=later, why="same splice", by=by)
    assert repair_did_not_hold(repair=repair, call=later, why="again", by=by) == linked
    with pytest.raises(Invalid):
        repair_did_not_hold(repair=repair, call=opened(by), why="elsewhere", by=by)


def test_a_late_reading_that_weakens_the_proof_opens_a_call_that_was_closed_on_its_test(
    by: Actor,
) -> None:
    hunt = proved(by)
    moved(hunt.call, "repairing", by)
    repair = repair_record(call=hunt.call, details=REMADE, by=by)
    assert repair.finding is not None
    as_left_answer(call=hunt.call, answers=answers_for(hunt.call, "restored", ""), by=by)
    moved(hunt.call, "return-testing", by)
    assert return_test(hunt.call, by).passed
    close(hunt.call, by)
    hunt.void(f"o{LAST_CLAMP}", why="read on the wrong wire")
    hunt.again()
    assert hunt.call.state == "narrowed"
    assert (hunt.call.closed_at, hunt.call.closing_test) == (None, None)


def as_left_keys(hunt: Hunt) -> set[str]:
    return {item.key for item in hunt.trace.path.left_items.filter(restored_at__isnull=True)}


def test_the_live_list_follows_the_trace_and_each_thing_is_asked_for(by: Actor) -> None:
    hunt = Hunt(by)
    hunt.send({"do": "message", "shown": True})
    hunt.send({"do": "power", "on": False})
    assert as_left_keys(hunt) == {"power-off"}
    hunt.send({"do": "fit_coil", "fitted": True})
    hunt.send({"do": "power", "on": True})
    # People who leave now are asked about the power too: the coil's ends are live.
    assert as_left_keys(hunt) == {"coil-in", "power-on"}
    hunt.void("o3", why="was not fitted")
    assert as_left_keys(hunt) == set()
    hunt.send({"do": "power", "on": False})
    assert as_left_keys(hunt) == {"power-off"}
    rows = hunt.trace.path.left_items.order_by("pk").values_list("key", "restored_at")
    assert [(key, at is None) for key, at in rows] == [
        ("power-off", False),
        ("coil-in", False),
        ("power-on", False),
        ("power-off", True),
    ]


def test_who_leaves_with_the_power_on_and_something_open_is_asked_about_it(by: Actor) -> None:
    hunt = Hunt(by)
    hunt.send({"do": "message", "shown": True})
    hunt.send({"do": "power", "on": False})
    hunt.send({"do": "fit_coil", "fitted": True})
    hunt.send({"do": "power", "on": True})
    hunt.again()
    coil = hunt.trace.path.left_items.get(key="coil-in")
    left = (LeftAnswer(coil.public_id, "kept", "goes on tomorrow"),)
    with pytest.raises(Invalid) as invalid:
        moved(hunt.call, "planned", by, left=left)
    assert [one.what for one in invalid.value.defects] == [
        "not answered: Power on while something is open"
    ]


def test_leaving_asks_once_and_closing_asks_again(by: Actor) -> None:
    call = opened(by)
    moved(call, "tracing", by)
    lid = as_left_add(call=call, thing=LeftThing(LeftKind.LID_UP, "N1"), note="fenced", by=by)
    assert as_left_add(call=call, thing=LeftThing(LeftKind.LID_UP, "N1"), by=by) == lid
    with pytest.raises(Invalid) as invalid:
        moved(call, "planned", by, left=())
    assert [defect.pointer for defect in invalid.value.defects] == ["/left"]
    (told,) = invalid.value.extra["as_left"]  # type: ignore[misc]
    assert told == {"item": lid.public_id, "kind": "lid-up", "where": {"node": "N1"}, "kept": ""}
    with pytest.raises(Invalid) as invalid:
        moved(call, "planned", by, left=(LeftAnswer(lid.public_id, "kept"),))
    assert [defect.pointer for defect in invalid.value.defects] == ["/left/0/why"]
    moved(call, "planned", by, left=(LeftAnswer(lid.public_id, "kept", "wet, dries first"),))
    moved(call, "waiting", by, left=())
    with pytest.raises(Invalid, match="thing that is left"):
        moved(call, "closed", by, outcome="other", left=())
    moved(call, "closed", by, outcome="other", left=(LeftAnswer(lid.public_id, "restored"),))
    lid.refresh_from_db()
    assert lid.restored_by_name == by.name
    assert [answer.answer for answer in lid.answers.order_by("pk")] == ["kept", "restored"]
