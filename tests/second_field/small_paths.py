"""Small named rehearsal documents with hand-worked answers, and a script to energise a field."""

from __future__ import annotations

from typing import Any

from tests.second_field.field import SecondField
from tests.second_field.places import Document

# One ohm, both conductors: 2 × 7.41 ohm/km × this length.
ONE_OHM_M = 1000.0 / (2.0 * 7.41)


def rehearsal(
    *,
    nodes: list[tuple[str, str]],
    segments: list[tuple[str, str, str, float]],
    devices: list[tuple[str, str, float]],
    faults: list[Document],
    path: Document | None = None,
) -> Document:
    """A document from rows; nodes lie 60 m apart on a line, in boxes."""
    own_path: Document = {
        "label": "small",
        "topology": "tree",
        "frequency_hz": 60.0,
        "source_v": 28.0,
        "source_ohm": [0.0, 0.0],
        "trip_ma": 1000.0,
        **(path or {}),
    }
    rows: list[dict[str, Any]] = [
        {
            "id": name,
            "kind": kind,
            "x_m": 60.0 * number,
            "y_m": 0.0,
            "access": "cabinet" if kind == "controller" else "box",
        }
        for number, (name, kind) in enumerate(nodes)
    ]
    cables = [
        {"id": name, "from": start, "to": end, "length_m": length_m, "conductor": "2.5 mm2"}
        for name, start, end, length_m in segments
    ]
    hung = [
        {"id": name, "node": node, "kind": "decoder", "draw_ma": draw_ma}
        for name, node, draw_ma in devices
    ]
    survey = {"format": "clampline-survey/1", "path": own_path, "nodes": rows}
    return {
        "format": "clampline-rehearsal/1",
        "survey": {**survey, "segments": cables, "devices": hung},
        "series_coil_ohm": [40.0, 100.0],
        "coil_known": True,
        "faults": faults,
        "meter": {"percent": 1.0, "counts": 2, "resolution_ma": 1.0, "seed": 1},
    }


def short(at: Document, ohm: float) -> Document:
    """A short as the documents write it."""
    return {"kind": "short", "at": at, "resistance_ohm": ohm}


def ladder_of(sections: int) -> Document:
    """N0 -1 ohm- N1 -1 ohm- N2 …, a device of one ohm at each node but the first."""
    names = [f"N{number}" for number in range(sections + 1)]
    return rehearsal(
        nodes=[(name, "device-splice" if name != "N0" else "controller") for name in names],
        segments=[
            (f"S{number}", names[number - 1], names[number], ONE_OHM_M)
            for number in range(1, sections + 1)
        ],
        devices=[(f"D{number}", names[number], 28000.0) for number in range(1, sections + 1)],
        faults=[],
    )


def fork(at: Document, ohm: float = 2.0) -> Document:
    """Two legs: N0 - N1 - N2 - N3 with a branch N2 - N4, and N0 - N5; a decoder at each."""
    names = ["N0", "N1", "N2", "N3", "N4", "N5"]
    return rehearsal(
        nodes=[(name, "device-splice" if name != "N0" else "controller") for name in names],
        segments=[
            ("S1", "N0", "N1", 60.0),
            ("S2", "N1", "N2", 60.0),
            ("S3", "N2", "N3", 60.0),
            ("S4", "N2", "N4", 120.0),
            ("S5", "N0", "N5", 300.0),
        ],
        devices=[(f"D{number}", f"N{number}", 2.0) for number in range(1, 6)],
        faults=[short(at, ohm)],
        path={"source_ohm": [0.4, 0.1]},
    )


def energise(field: SecondField) -> None:
    """Power off, coil in, power on: what has to happen before a path is clamped."""
    for step in (
        {"do": "power", "on": False},
        {"do": "fit_coil", "fitted": True},
        {"do": "power", "on": True},
    ):
        assert field.answer(step)["do"] == step["do"]


def clear_of_coil(field: SecondField) -> None:
    """Power off, coil out, power on: for looks at the message."""
    for step in (
        {"do": "power", "on": False},
        {"do": "fit_coil", "fitted": False},
        {"do": "power", "on": True},
    ):
        assert field.answer(step)["do"] == step["do"]
