"""The hand-over tells what the next one needs: power, suspects with their chance, last readings."""

from __future__ import annotations

from django.test import Client

from tests.faults.hunts import Hunt, played_bodies, rehearsal_of
from tests.pages.conftest import text_of


def test_a_hand_over_in_mid_trace_tells_power_suspects_and_readings(
    browser: Client, hunt: Hunt
) -> None:
    bodies = played_bodies(rehearsal_of())[1]
    clamped = [n for n, body in enumerate(bodies) if body["do"] == "clamp"]
    hunt.send_all(bodies[: clamped[0] + 1])
    hunt.again()
    told = text_of(browser.get(f"/calls/{hunt.call.public_id}/hand-over"))
    suspects = hunt.trace.standing["suspects"]
    assert suspects
    assert f"{suspects[0]['chance']:.0%}".replace("%", " %") in told
    read = told.index("Read last")
    assert f"{bodies[clamped[0]]['current_ma']:g} mA" in told[read:]
    assert "Power On while something is open" in told
    assert "What is open is live" in told
    hunt.send_all(bodies[clamped[0] + 1 :])
    hunt.send({"do": "power", "on": False})
    told = text_of(browser.get(f"/calls/{hunt.call.public_id}/hand-over"))
    assert "Power Off, said" in told


def test_a_hand_over_without_a_trace_takes_the_path_as_on(browser: Client, hunt: Hunt) -> None:
    hunt.trace.delete()
    told = text_of(browser.get(f"/calls/{hunt.call.public_id}/hand-over"))
    assert "take it as on" in told
    assert "Suspects" not in told
