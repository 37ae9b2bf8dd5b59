"""Surveys for the tests of the register."""

from __future__ import annotations

from typing import Any

Document = dict[str, Any]


def straight_survey(count: int, label: str = "Straight") -> Document:
    """A controller, then ``count`` nodes in a row, 30 m apart, a decoder at each."""
    return {
        "format": "clampline-survey/1",
        "path": {
            "label": label,
            "frequency_hz": 60.0,
            "source_v": 28.0,
            "source_ohm": [0.4, 0.1],
            "trip_ma": 1500,
        },
        "nodes": [
            {"id": "N0", "kind": "controller", "x_m": 0, "y_m": 0, "access": "cabinet"},
            *(
                {
                    "id": f"N{at}",
                    "kind": "device-splice",
                    "x_m": 30.0 * at,
                    "y_m": 0.0,
                    "access": "box",
                    "splice": {"connector": "gel cap", "made": "2019-05"},
                }
                for at in range(1, count + 1)
            ),
        ],
        "segments": [
            {
                "id": f"S{at}",
                "from": f"N{at - 1}",
                "to": f"N{at}",
                "length_m": 31.5,
                "conductor": "AWG 14",
                "laid_year": 2004,
            }
            for at in range(1, count + 1)
        ],
        "devices": [
            {"id": f"D{at}", "node": f"N{at}", "kind": "decoder", "draw_ma": 1.2, "stations": [at]}
            for at in range(1, count + 1)
        ],
    }


def everything_stated() -> Document:
    """A survey in which every optional member is given, some with the value it has anyway."""
    survey = straight_survey(3, "Everything")
    survey["path"] |= {
        "topology": "tree",
        "trip_spread": 0,
        "conductor_temp_c": 20.0,
        "earth_reference_ohm": None,
        "capacitance_nf_per_km": 0.0,
        "anchor": {"lat": 40.1, "lon": -3.2, "bearing_deg": 0.0},
        "limits": {},
    }
    survey["nodes"][1]["splice"] = {}
    survey["nodes"][2]["splice"] = {"connector": "gel cap", "made": "2019", "by_crew": "Crew 2"}
    survey["segments"][0] |= {"joint_open": False, "output": "A", "reactance_ohm_per_km": 0}
    survey["segments"][1] |= {"length_known": "scaled", "reactance_ohm_per_km": 0.08}
    survey["segments"][2] |= {"joint_open": "from", "laid_year": 2004.0}
    survey["devices"][0] |= {"model": "resistor", "power_factor": 1.0, "stations": []}
    survey["devices"][1] |= {
        "model": "knee",
        "knee_v": 18.5,
        "off_below_v": 0.0,
        "outputs": 2.0,
        "active_ma": 240,
        "model_name": "two-output, potted",
        "installed": "2019-05-28",
    }
    return survey


def nothing_optional() -> Document:
    """A survey with required members alone."""
    survey = straight_survey(2, "Bare")
    for name in ("nodes", "segments", "devices"):
        for row in survey[name]:
            for optional in ("splice", "laid_year", "stations"):
                row.pop(optional, None)
    return survey
