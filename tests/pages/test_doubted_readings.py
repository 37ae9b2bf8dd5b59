"""Readings that cannot be so are asked about before a page takes them, and warned of in answers."""

from __future__ import annotations

from dataclasses import replace

import pytest
from django.test import Client

from faults.models import Observation, SoundRecord
from faults.tracing.plausible import most_standing_ma, most_through_coil_ma, standing_doubt
from sites.network_snapshot import path_network
from tests.faults.hunts import Hunt, played_bodies, rehearsal_of
from tests.pages.conftest import posted_fields, text_of

_, BODIES = played_bodies(rehearsal_of())
AT_REFERENCE = next(at for at, body in enumerate(BODIES) if body["do"] == "reference")


@pytest.fixture
def at_reference(hunt: Hunt) -> Hunt:
    hunt.send_all(BODIES[:AT_REFERENCE])
    return hunt


def test_a_reading_that_the_source_cannot_give_is_asked_about_and_kept_in_the_form(
    browser: Client, at_reference: Hunt
) -> None:
    where = f"/traces/{at_reference.trace.public_id}"
    sent = posted_fields(browser.get(where), "/answer") | {"current_ma": "999999"}
    asked = browser.post(f"{where}/answer", sent)
    assert asked.status_code == 422
    assert "999999 mA is more than this source can send through the coil" in text_of(asked)
    assert 'value="999999"' in asked.content.decode()
    assert Observation.objects.filter(trace=at_reference.trace).count() == AT_REFERENCE
    really = {"really": asked.context["form"].doubted}
    other = browser.post(f"{where}/answer", sent | really | {"current_ma": "888888"})
    assert other.status_code == 422, "the box was ticked for another value"
    taken = browser.post(f"{where}/answer", sent | really)
    assert taken.status_code == 302
    last = Observation.objects.filter(trace=at_reference.trace).latest("pk")
    assert last.body["current_ma"] == 999999
    assert "more than this source can send" in last.answer["warnings"][0]


def test_a_reading_at_another_place_is_asked_about_too(browser: Client, at_reference: Hunt) -> None:
    at_reference.send(BODIES[AT_REFERENCE])
    segment = at_reference.rehearsal.survey.segments[-1]
    where = f"/traces/{at_reference.trace.public_id}/other?node={segment.to_node}"
    page = browser.get(where)
    sent = dict(page.context["form"].initial) | {"wire": segment.id, "current_ma": "50000"}
    asked = browser.post(where, sent)
    assert asked.status_code == 422
    assert "Really: it reads so" in text_of(asked)
    sent["really"] = asked.context["form"].doubted
    assert browser.post(where, sent).status_code == 302


def test_no_reading_of_a_played_trace_is_doubted(hunt: Hunt) -> None:
    hunt.send_all(BODIES)
    warned = [one.answer["warnings"] for one in Observation.objects.filter(trace=hunt.trace)]
    assert warned == [[]] * len(BODIES)


def test_the_bound_is_a_short_right_behind_the_coil_and_a_quarter(hunt: Hunt) -> None:
    network = path_network(hunt.trace.path)
    coil = complex(30.0, 90.0)
    short = 1000.0 * network.source_v / abs(network.source_ohm + coil)
    assert most_through_coil_ma(network, coil) == pytest.approx(1.25 * short)
    assert most_through_coil_ma(network, None) > 2.0 * short, "a coil not known is taken small"


def test_a_source_weaker_than_its_controller_bounds_what_a_leg_may_draw(hunt: Hunt) -> None:
    network = path_network(hunt.trace.path)
    most = most_standing_ma(network)
    assert most == network.trip_ma * (1.0 + network.trip_spread) * 1.25
    weak = replace(network, source_ohm=complex(3.0 * network.source_v))
    assert most_standing_ma(weak) == pytest.approx(1250.0 / 3.0)
    assert most > 1250.0 / 3.0
    told = "420 mA is more than this source can send, about 417 mA"
    assert standing_doubt(weak, "current_ma", 420.0) == told
    assert standing_doubt(weak, "current_ma", 416.0) is None


def test_a_sound_current_above_what_the_controller_lets_through_is_asked_about(
    browser: Client, hunt: Hunt
) -> None:
    path = hunt.trace.path
    where = f"/paths/{path.public_id}/sound"
    fields = posted_fields(browser.get(where), "/sound")
    most = most_standing_ma(path_network(path))
    fields |= {"source": "start-up", "current_ma_0": f"{most + 1:.0f}", "far_v_0": "230"}
    asked = browser.post(where, fields)
    assert asked.status_code == 422
    page = text_of(asked)
    assert "more than the controller lets through" in page
    assert "230 V is more than the source has" in page
    assert not SoundRecord.objects.exists()
    fields["really"] = asked.context["form"].doubted
    assert browser.post(where, fields).status_code == 302
    assert SoundRecord.objects.get().far_v == 230.0
