"""Answering the steps of a trace on its page."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace
from typing import Any

import pytest
from django.test import Client

from faults.left_things import LeftThing
from faults.models import Observation
from faults.models.as_left import LeftKind
from faults.pages.words import TraceWords, chance_words, done_words
from faults.services.as_left import left_item
from faults.tracing.step import STEP_NEEDS
from tests.faults.hunts import Hunt, played_bodies, rehearsal_of
from tests.pages.conftest import posted_fields, step_of, text_of

_, BODIES = played_bodies(rehearsal_of())
AT_REFERENCE = next(at for at, body in enumerate(BODIES) if body["do"] == "reference")


def address(hunt: Hunt, end: str = "") -> str:
    return f"/traces/{hunt.trace.public_id}{end}"


def answer_fields(browser: Client, hunt: Hunt) -> dict[str, str]:
    return posted_fields(browser.get(address(hunt)), "/answer")


@pytest.fixture
def at_reference(hunt: Hunt) -> Hunt:
    """The trace before the first reading in milliamperes."""
    hunt.send_all(BODIES[:AT_REFERENCE])
    assert step_of(hunt)["do"] == "reference"
    return hunt


def typed(body: dict[str, Any]) -> dict[str, str]:
    """What people press or type for an observation."""
    if "shown" in body:
        return {"shown": "yes" if body["shown"] else "no"}
    found = {"current_ma": f"{body['current_ma']:g}"} if "current_ma" in body else {}
    if "cables_seen" in body:
        found["cables_seen"] = str(body["cables_seen"])
    return found


@pytest.mark.slow
def test_a_whole_trace_on_pages_tells_what_the_engine_was_told(browser: Client, hunt: Hunt) -> None:
    """The ground gave the same answers to the engine alone; the verdict has to be the same."""
    for body in BODIES:
        fields = answer_fields(browser, hunt)
        asked = json.loads(fields["asked"])
        assert asked == {name: body[name] for name in asked if name != "joints"}
        assert browser.post(address(hunt, "/answer"), fields | typed(body)).status_code == 302
    step = step_of(hunt)
    assert (step["stage"], step["outcome"]) == ("done", "proved")
    page = text_of(browser.get(address(hunt)))
    assert "Proved by a test at the place that could have failed" in page
    assert "device D5" in page


def test_a_step_says_its_cautions_its_expectation_and_why(
    browser: Client, at_reference: Hunt
) -> None:
    step, page = step_of(at_reference), text_of(browser.get(address(at_reference)))
    assert step["cautions"]
    for caution in step["cautions"]:
        assert caution in page
    low, high = step["expect"][0]["current_ma"]
    assert f"{low:.0f} to {high:.0f} mA" in page
    assert step["why"][1:] in page
    assert "Power on Coil in" in page
    off = ", ".join(step["as_left"]["legs_off"])
    assert f"Told as off so far: {off}. What is not back on yet goes on first: power off" in page
    rest = 1.0 - sum(one["chance"] for one in step["suspects"])
    assert f"All others together: {chance_words(rest)}." in page


def test_legs_that_are_off_go_back_on_while_the_power_is_off(browser: Client, hunt: Hunt) -> None:
    hunt.send_all(BODIES[: next(n for n, body in enumerate(BODIES) if body["do"] == "fit_coil")])
    assert not step_of(hunt)["as_left"]["power"]
    page = text_of(browser.get(address(hunt)))
    assert "Put the coil in series at the controller" in page
    assert "Put back on what is off as well, while the power is off and proved dead" in page


def test_what_was_left_off_before_is_told_in_a_trace_and_on_the_path(
    browser: Client, hunt: Hunt
) -> None:
    assert "Not as built before" not in text_of(browser.get(address(hunt)))
    path = f"/paths/{hunt.trace.path.public_id}"
    assert "the path is as built" in text_of(browser.get(path))
    item = left_item(
        LeftThing(LeftKind.ISOLATED, "device:D2"), hunt.trace.path_id, hunt.call.pk, hunt.by, None
    )
    item.since = hunt.trace.started_at - dt.timedelta(days=3)
    item.save()
    lid = left_item(
        LeftThing(LeftKind.LID_UP, "N2"), hunt.trace.path_id, hunt.call.pk, hunt.by, None
    )
    lid.since = item.since
    lid.save()
    left_item(
        LeftThing(LeftKind.JOINT_OPEN, "S1/to"), hunt.trace.path_id, hunt.call.pk, hunt.by, None
    ).save()
    page = text_of(browser.get(address(hunt)))
    told = page[page.index("Not as built before") : page.index("Caution")]
    assert "Out of the path: device D2" in told
    assert "Lid" not in told, "a lid changes no reading"
    drawn = text_of(browser.get(path))
    assert "Out of the path: device D2" in drawn
    assert "Joint of cable run S1 open at its “to” end, at N1" in drawn


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("1,200", "1200, or 1.200 with a point, without a comma"),
        ("1,234.5", "no sign between thousands"),
        ("1.234,5", "no sign between thousands"),
        ("", "the reading is missing"),
        ("about 140", "cannot be read as a number"),
        ("-3", "cannot be read as a number"),
        ("1e3", "cannot be read as a number"),
        ("nan", "cannot be read as a number"),
        ("٣", "cannot be read as a number"),
    ],
)
def test_a_reading_that_cannot_be_read_is_told_at_its_field_and_stays_there(
    browser: Client, at_reference: Hunt, text: str, told: str
) -> None:
    fields = answer_fields(browser, at_reference)
    answer = browser.post(address(at_reference, "/answer"), fields | {"current_ma": text})
    assert answer.status_code == 422
    page = answer.content.decode()
    assert told in text_of(answer)
    assert 'aria-invalid="true"' in page
    assert 'aria-describedby="id_current_ma_error"' in page
    assert 'id="id_current_ma_error"' in page
    if text:
        assert f'value="{text}"' in page
    assert posted_fields(answer, "/answer")["client_id"] == fields["client_id"]
    assert Observation.objects.filter(trace=at_reference.trace).count() == AT_REFERENCE


def test_a_double_submit_is_stored_once(browser: Client, at_reference: Hunt) -> None:
    fields = answer_fields(browser, at_reference) | {"current_ma": "147"}
    answers = [browser.post(address(at_reference, "/answer"), fields) for _ in range(3)]
    assert [answer.status_code for answer in answers] == [302] * 3
    assert Observation.objects.filter(trace=at_reference.trace).count() == AT_REFERENCE + 1


def test_another_reading_from_the_same_form_is_a_conflict_that_is_told(
    browser: Client, at_reference: Hunt
) -> None:
    fields = answer_fields(browser, at_reference)
    browser.post(address(at_reference, "/answer"), fields | {"current_ma": "147"})
    answer = browser.post(address(at_reference, "/answer"), fields | {"current_ma": "174"})
    assert answer.status_code == 409
    page = text_of(answer)
    assert "was used for another observation" in page
    assert "This was the answer to: Read the current at the controller" in page
    assert 'value="174"' in answer.content.decode()
    assert Observation.objects.filter(trace=at_reference.trace).count() == AT_REFERENCE + 1


def test_an_answer_that_the_rig_forbids_is_refused_with_the_reason(
    browser: Client, hunt: Hunt
) -> None:
    fields = answer_fields(browser, hunt)
    fields["asked"] = json.dumps({"do": "reference"})
    answer = browser.post(address(hunt, "/answer"), fields | {"current_ma": "12"})
    assert answer.status_code == 409
    assert "The coil is out" in text_of(answer)
    assert not Observation.objects.filter(trace=hunt.trace).exists()


def test_undo_takes_the_last_answer_back_and_leaves_it_struck_in_the_story(
    browser: Client, at_reference: Hunt
) -> None:
    fields = answer_fields(browser, at_reference) | {"current_ma": "199"}
    browser.post(address(at_reference, "/answer"), fields)
    assert step_of(at_reference)["do"] != "reference"
    page = browser.get(address(at_reference))
    assert "Undo: 199 mA" in text_of(page)
    undo = posted_fields(page, "/withdraw")
    assert undo["target"] == fields["client_id"]
    assert browser.post(address(at_reference, "/withdraw"), undo).status_code == 302
    assert step_of(at_reference)["do"] == "reference"
    assert "Taken back: Read the current at the controller" in text_of(
        browser.get(address(at_reference))
    )


def test_what_later_answers_rest_on_cannot_be_taken_back(
    browser: Client, at_reference: Hunt
) -> None:
    page = browser.get(address(at_reference))
    coil = next(
        row.client_id
        for row in Observation.objects.filter(trace=at_reference.trace)
        if row.body["do"] == "power" and row.body["on"] is False
    )
    undo = posted_fields(page, "/withdraw") | {"target": coil}
    answer = browser.post(address(at_reference, "/withdraw"), undo)
    assert answer.status_code == 409
    assert "rests on it" in text_of(answer)


def test_cannot_reach_goes_on_without_that_place(browser: Client, hunt: Hunt) -> None:
    at_clamp = next(at for at, body in enumerate(BODIES) if body.get("node", "C0") != "C0")
    hunt.send_all(BODIES[:at_clamp])
    node = step_of(hunt)["node"]
    fields = posted_fields(browser.get(address(hunt)), "/cannot")
    assert fields["node"] == node
    browser.post(address(hunt, "/cannot"), fields | {"why": "flooded"})
    assert step_of(hunt).get("node") != node
    assert "not possible: flooded" in text_of(browser.get(address(hunt)))


def test_another_wire_than_asked_can_be_told(browser: Client, at_reference: Hunt) -> None:
    at_reference.send(BODIES[AT_REFERENCE])
    path = at_reference.rehearsal.survey
    segment = path.segments[-1]
    where = f"{address(at_reference, '/other')}?node={segment.to_node}"
    assert "is not on the map" in text_of(browser.get(f"{address(at_reference, '/other')}?node=Q"))
    page = browser.get(where)
    assert "never reach into water with it on" in text_of(page)
    assert "One conductor alone in the jaw" in text_of(page)
    cabinet = text_of(browser.get(f"{address(at_reference, '/other')}?node={path.controller.id}"))
    assert "locked off and tagged" in cabinet
    fields = dict(page.context["form"].initial) | {"wire": segment.id}
    refused = browser.post(where, fields | {"current_ma": "2,500"})
    assert refused.status_code == 422
    assert "without a comma" in text_of(refused)
    assert browser.post(where, fields | {"current_ma": "2,5"}).status_code == 302
    last = Observation.objects.filter(trace=at_reference.trace).latest("pk")
    assert (last.body["node"], last.body["wire"]) == (segment.to_node, segment.id)
    assert last.body["current_ma"] == 2.5


def test_a_trace_ended_by_hand_is_unproved_with_its_reason(
    browser: Client, at_reference: Hunt
) -> None:
    fields = posted_fields(browser.get(address(at_reference)), "/end")
    without = browser.post(address(at_reference, "/end"), fields | {"why": " "})
    assert without.status_code == 422
    browser.post(address(at_reference, "/end"), fields | {"why": "thunder about"})
    page = text_of(browser.get(address(at_reference)))
    assert page.count("Unproved: thunder about") == 2, "as the title and as the headline"
    assert page.lower().count("thunder about") == 2, "and nowhere else"
    assert "Switch the power off" in page, "what stands open is still asked to be put back"
    assert "legs that are back on" in page
    fields = answer_fields(browser, at_reference)
    assert browser.post(address(at_reference, "/answer"), fields).status_code == 302
    page = text_of(browser.get(address(at_reference)))
    assert "late" not in page, "what the page asks for does not come late"
    assert "Undo: Switch the power off, prove it dead (step" in page
    call = text_of(browser.get(f"/calls/{at_reference.call.public_id}"))
    assert "The trace ended: unproved, thunder about (" in call


def test_after_the_end_what_stands_open_is_put_back_from_the_page(
    browser: Client, hunt: Hunt
) -> None:
    hunt.send_all(BODIES)
    seen = []
    for _ in range(4):
        page = browser.get(address(hunt))
        if b"Before you leave" not in page.content:
            break
        fields = posted_fields(page, "/answer")
        seen.append(json.loads(fields["asked"])["do"])
        told = text_of(page)
        assert ("locked off and tagged" in told, "may still be hot" in told) == (
            True,
            seen[-1] == "fit_coil",
        )
        assert browser.post(address(hunt, "/answer"), fields).status_code == 302
        assert "late" not in text_of(browser.get(address(hunt)))
    assert seen == ["power", "fit_coil"]
    back = posted_fields(page, "/withdraw")
    assert "Undo: Take the coil out" in text_of(page)
    assert browser.post(address(hunt, "/withdraw"), back).status_code == 302
    page = browser.get(address(hunt))
    assert "Undo: Switch the power off" in text_of(page)
    assert "late" not in text_of(page)
    assert step_of(hunt)["as_left"]["coil"], "one touch too many is taken back"
    browser.post(address(hunt, "/answer"), posted_fields(page, "/answer"))
    page = browser.get(address(hunt))
    left = step_of(hunt)["as_left"]
    assert left["lids_up"]
    assert f'<a href="/calls/{hunt.call.public_id}/left">' in page.content.decode()
    assert (left["power"], left["coil"], left["isolated"]) == (False, False, [])
    hunt.again()
    assert hunt.trace.outcome == "proved", "putting back does not unmake the proof"


def test_a_form_that_was_bent_is_refused_and_breaks_nothing(browser: Client, hunt: Hunt) -> None:
    fields = answer_fields(browser, hunt)
    for bent in (
        {"asked": "{"},
        {"asked": "[]"},
        {"asked": '{"do": 3}'},
        {"asked": '{"do": "clamp"}', "current_ma": "1"},
        {"asked": '{"do": "nonsense"}'},
        {"client_seq": "x"},
        {"client_seq": "0"},
        {"client_id": ""},
        {"client_id": "x" * 90},
    ):
        answer = browser.post(address(hunt, "/answer"), fields | {"shown": "yes"} | bent)
        assert answer.status_code == 422, bent
    assert browser.post(address(hunt, "/withdraw"), {}).status_code == 422
    assert browser.post(address(hunt, "/cannot"), {}).status_code == 422
    assert browser.post(address(hunt, "/end"), {"version": "-1", "why": "x"}).status_code == 422
    assert not Observation.objects.filter(trace=hunt.trace).exists()


def test_every_step_has_words_and_a_button() -> None:
    words = TraceWords(rehearsal_of().survey)
    given: dict[str, Any] = {
        "on": True,
        "fitted": True,
        "joints": [{"segment": "S1", "end": "to"}],
        "node": "N1",
        "wire": "S1",
        "at": {"device": "D1"},
        "station": 3,
    }
    tasks = set()
    for do, needs in STEP_NEEDS.items():
        step = {"do": do, "wire": "S1"} | {name: given[name] for name in needs}
        tasks.add(words.task(step))
        assert done_words(step)
    deep = replace(words.path, nodes=tuple(replace(n, access="buried") for n in words.path.nodes))
    assert TraceWords(deep).on_path.place({"splice": "N2"}) == "the buried splice N2"
    assert words.on_path.place({"splice": "N2"}) == "the splice at box N2"
    far = words.on_path.node(words.path.segments[0].to_node)
    assert f"Open the joint of cable run S1 at {far}" in tasks, "where to go is told"
    assert len(tasks) == len(STEP_NEEDS)


def test_the_drawing_holds_the_readings_and_rings_the_place(
    browser: Client, at_reference: Hunt
) -> None:
    at_reference.send(BODIES[AT_REFERENCE])
    clamp = BODIES[AT_REFERENCE + 1]
    assert clamp["do"] == "clamp"
    at_reference.send(clamp)
    whole = browser.get(address(at_reference, "/drawing.svg"))
    assert whole["Content-Type"] == "image/svg+xml"
    svg = whole.content.decode()
    assert f"{clamp['current_ma']:g} mA" in svg
    near = browser.get(address(at_reference, f"/drawing.svg?around={clamp['node']}"))
    assert 'r="17"' in near.content.decode()
    assert 'r="17"' not in svg
