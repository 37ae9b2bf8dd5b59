"""A whole trace over HTTP, on a path of 120 devices, played by a simulated ground to its proof."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any
from urllib.request import Request, urlopen

import pytest
from pytest_django.live_server_helper import LiveServer

from core.models import Contractor
from faults.forms.observation import observation_document
from faults.forms.place import place_document
from faults.forms.rehearsal import read_rehearsal
from faults.forms.step import step_document, verdict_document
from faults.rehearsal.field import Field
from faults.rehearsal.play import blind_problem
from faults.tracing.session import begin
from tests.api.asking import Asker
from tests.architecture.house import ROOT
from tests.faults.hunts import known_of

pytestmark = [pytest.mark.slow, pytest.mark.django_db(transaction=True)]

Document = dict[str, Any]

LAWN = ROOT / "demo" / "north_lawn.json"


class Machine:
    """Asks over the network, as another system does."""

    def __init__(self, server: str, token: str) -> None:
        self.root = f"{server}/api/v1"
        self.headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}

    def ask(self, path: str, body: Document | None = None) -> Document:
        data = None if body is None else json.dumps(body).encode()
        with urlopen(Request(self.root + path, data, self.headers), timeout=60) as answer:
            read: Document = json.load(answer)
        return read


def now_text() -> str:
    return dt.datetime.now(dt.UTC).isoformat()


def test_from_an_event_to_the_proved_device(
    live_server: LiveServer, machine: Asker, contractor: Contractor
) -> None:
    document = json.loads(LAWN.read_text(encoding="utf-8"))
    rehearsal = read_rehearsal(document)
    assert len(rehearsal.survey.devices) == 120
    api = Machine(live_server.url, machine.token)
    place = api.ask("/properties", {"name": "North Lawn", "time_zone": "UTC"})["id"]
    controller = api.ask("/controllers", {"property": place, "name": "Shed"})["id"]
    api.ask(f"/controllers/{controller}/wire-paths", document["survey"])
    report = {"kind": "overcurrent", "at": now_text(), "controller": controller}
    call = api.ask("/events", report)["call"]
    trace = api.ask("/traces", {"call": call, "known": known_of(rehearsal)})["id"]

    field, session = Field(rehearsal), begin(blind_problem(rehearsal))
    told = api.ask(f"/traces/{trace}/next")
    number = 0
    while session.done is None:
        # The steps are the engine's own, to the last member: those of `follow`.
        assert told == json.loads(json.dumps(step_document(session.step)))
        number += 1
        observation = field.answer(session.step)
        session = session.observe(observation)
        answer = api.ask(
            f"/traces/{trace}/observations",
            {
                "client_id": f"o{number}",
                "client_seq": number,
                "client_at": now_text(),
                "observation": observation_document(observation),
            },
        )
        told = answer["next"]
        assert told == api.ask(f"/traces/{trace}/next")

    assert told == json.loads(json.dumps(verdict_document(session.done)))
    truth = place_document(rehearsal.faults[0].at)
    assert [(row["at"], row["proved"]) for row in told["found"]] == [(truth, True)]
    assert api.ask(f"/traces/{trace}")["outcome"] == "proved"
    assert api.ask(f"/calls/{call}")["state"] == "found"
    findings = api.ask("/findings")["items"]
    assert [(row["at"], row["proved"]) for row in findings] == [(truth, True)]
