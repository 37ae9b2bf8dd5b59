"""A path of 1,000 devices traced, and one of 20,000 nodes taken in, over HTTP in one process."""

from __future__ import annotations

import statistics
import time
from typing import Any

import pytest

from faults.rehearsal.cases import large_case
from sites.forms.survey import survey_document
from tests.api.asking import Asker
from tests.faults.hunts import known_of, played_bodies
from tests.sites.surveys import straight_survey

pytestmark = [pytest.mark.slow, pytest.mark.django_db]

# The goal, a 95th percentile of 150 ms, is measured by `make bench-load`. Of some thirty steps the
# 95th percentile is the second slowest, and a busy neighbour doubles it at will; the median of the
# processor time finds a growth in cost on any machine.
MOST_P50_CPU_MS, MOST_P95_MS = 150.0, 3000.0
MOST_IMPORT_S = 60.0


@pytest.fixture
def controller(machine: Asker) -> str:
    place = machine.post("/properties", {"name": "Meadow Court", "time_zone": "UTC"}).json()
    body = {"property": place["id"], "name": "Pump house"}
    return str(machine.post("/controllers", body).json()["id"])


def timed(ask: Any) -> tuple[Any, float]:
    start = time.perf_counter()
    answer = ask()
    return answer, 1000.0 * (time.perf_counter() - start)


def test_each_step_of_a_trace_with_a_thousand_devices(
    machine: Asker, controller: str, record_property: Any
) -> None:
    rehearsal = large_case(1000, "straight", 0).rehearsal
    _, bodies = played_bodies(rehearsal)
    survey = survey_document(rehearsal.survey)
    path = machine.post(f"/controllers/{controller}/wire-paths", survey).json()["path"]
    call = machine.post("/calls", {"path": path}).json()["id"]
    trace = machine.post("/traces", {"call": call, "known": known_of(rehearsal)}).json()["id"]
    first, first_ms = timed(lambda: machine.get(f"/traces/{trace}/next"))
    assert first.status_code == 200
    took_ms, cpu_ms = [], []
    for number, body in enumerate(bodies, start=1):
        told = {
            "client_id": f"o{number}",
            "client_seq": number,
            "client_at": "2026-03-02T08:00:00Z",
            "observation": body,
        }
        began = time.process_time()
        answer, ms = timed(lambda: machine.post(f"/traces/{trace}/observations", told))  # noqa: B023
        assert answer.status_code == 201, answer.json()
        took_ms.append(ms)
        cpu_ms.append(1000.0 * (time.process_time() - began))
    p95_ms = statistics.quantiles(took_ms, n=20)[-1]
    figures = {
        "steps": len(took_ms),
        "first_ms": round(first_ms, 1),
        "p50_ms": round(statistics.median(took_ms), 1),
        "p95_ms": round(p95_ms, 1),
        "p50_cpu_ms": round(statistics.median(cpu_ms), 1),
        "p95_cpu_ms": round(statistics.quantiles(cpu_ms, n=20)[-1], 1),
        "outcome": machine.get(f"/traces/{trace}").json()["outcome"],
    }
    record_property("figures", figures)
    print(figures)  # noqa: T201
    assert figures["p50_cpu_ms"] < MOST_P50_CPU_MS
    assert p95_ms < MOST_P95_MS


def test_a_survey_of_twenty_thousand_nodes(
    machine: Asker, controller: str, record_property: Any
) -> None:
    survey = straight_survey(19_999)
    address = f"/controllers/{controller}/wire-paths"
    result, ms = timed(lambda: machine.post(address, survey))
    assert result.status_code == 201
    path = result.json()["path"]
    read, read_ms = timed(lambda: machine.get(f"/wire-paths/{path}/survey"))
    assert read.json() == survey
    figures = {"import_s": round(ms / 1000.0, 2), "survey_s": round(read_ms / 1000.0, 2)}
    record_property("figures", figures)
    print(figures)  # noqa: T201
    assert ms < 1000.0 * MOST_IMPORT_S
