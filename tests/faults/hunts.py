"""A trace through the services, with observations that a simulated ground gave."""

from __future__ import annotations

import datetime as dt
import time
from dataclasses import dataclass, field
from typing import Any

from core.accounts.actor import Actor
from faults.forms.known import costs_document, meter_document
from faults.forms.observation import observation_document
from faults.models import FaultCall, Trace
from faults.rehearsal.play import Played, play
from faults.rehearsal.rehearsal import Rehearsal
from faults.services.calls import Where, call_open
from faults.services.observations import (
    ObservationResult,
    Voiding,
    observation_add,
    observation_void,
)
from faults.services.traces import trace_start
from sites.forms.survey import impedance_pair
from tests.faults.places import path_at_new_place
from tests.tracing.drives import short_at, tree_rehearsal

Document = dict[str, Any]

SHORT = short_at("device", "D5")
BEGAN = dt.datetime(2026, 3, 2, 8, 0, tzinfo=dt.UTC)


def rehearsal_of(*faults: Any) -> Rehearsal:
    """The tree of the drives with these faults, by default a short at D5."""
    return tree_rehearsal(*(faults or (SHORT,)))


def played_bodies(rehearsal: Rehearsal) -> tuple[Played, list[Document]]:
    """A whole trace by the engine alone, and what the field told in it."""
    played = play(rehearsal, clock_s=time.perf_counter)
    return played, [observation_document(one.observation) for one in played.steps]


def known_of(rehearsal: Rehearsal) -> Document:
    """What a rehearsal lets a trace know."""
    known: Document = {
        "meter": meter_document(rehearsal.meter),
        "costs": costs_document(rehearsal.costs),
    }
    if rehearsal.coil_known:
        known["series_coil_ohm"] = impedance_pair(rehearsal.coil_ohm)
    return known


@dataclass
class Hunt:
    """A trace under way; ``send`` numbers what it is given."""

    by: Actor
    rehearsal: Rehearsal = field(default_factory=rehearsal_of)
    call: FaultCall = field(init=False)
    trace: Trace = field(init=False)
    sent: int = 0

    def __post_init__(self) -> None:
        path = path_at_new_place(self.by, self.rehearsal.survey)
        self.call = call_open(where=Where.of_path(path), by=self.by)
        self.trace = trace_start(call=self.call, by=self.by, known=known_of(self.rehearsal))

    def send(
        self, body: object, *, seq: int | None = None, client_id: str | None = None
    ) -> ObservationResult:
        """An observation as the next, or as number ``seq``."""
        seq = self.sent + 1 if seq is None else seq
        result = observation_add(
            trace=self.trace,
            by=self.by,
            client_id=client_id or f"o{seq}",
            body=body,
            client_seq=seq,
            client_at=BEGAN + dt.timedelta(minutes=seq),
        )
        self.sent = max(self.sent, seq)
        return result

    def void(
        self, target: str, *, why: str = "", seq: int | None = None, client_id: str | None = None
    ) -> ObservationResult:
        """Withdraw an observation."""
        seq = self.sent + 1 if seq is None else seq
        result = observation_void(
            trace=self.trace,
            by=self.by,
            client_id=client_id or f"o{seq}",
            voiding=Voiding(target, why),
            client_seq=seq,
            client_at=BEGAN + dt.timedelta(minutes=seq),
        )
        self.sent = max(self.sent, seq)
        return result

    def send_all(self, bodies: list[Document]) -> list[ObservationResult]:
        """Observations one after the other."""
        return [self.send(body) for body in bodies]

    def again(self) -> None:
        """Trace and call as the database has them now."""
        self.trace = Trace.objects.get(pk=self.trace.pk)
        self.call = FaultCall.objects.get(pk=self.call.pk)
