"""Small documents to bend, and strategies that draw whole ones."""

from __future__ import annotations

import copy
from typing import Any

from hypothesis import strategies as st

Document = dict[str, Any]

# N0 (controller) --S1-- N1 --S2-- N2, D1 at N1, D2 at N2
SURVEY: Document = {
    "format": "clampline-survey/1",
    "path": {
        "label": "North path",
        "topology": "tree",
        "frequency_hz": 60.0,
        "source_v": 28.0,
        "source_ohm": [0.4, 0.1],
        "trip_ma": 1500.0,
        "conductor_temp_c": 20.0,
        "earth_reference_ohm": None,
        "anchor": {"lat": 40.1, "lon": -3.2, "bearing_deg": 0.0},
    },
    "nodes": [
        {"id": "N0", "kind": "controller", "x_m": 0.0, "y_m": 0.0, "access": "cabinet"},
        {"id": "N1", "kind": "device-splice", "x_m": 30.0, "y_m": 4.0, "access": "box"},
        {"id": "N2", "kind": "cable-end", "x_m": 60.0, "y_m": 4.0, "access": "buried"},
    ],
    "segments": [
        {
            "id": "S1",
            "from": "N0",
            "to": "N1",
            "length_m": 33.5,
            "conductor": "AWG 14",
            "joint_open": False,
        },
        {
            "id": "S2",
            "from": "N1",
            "to": "N2",
            "length_m": 31.0,
            "conductor": "2.5 mm2",
            "joint_open": False,
        },
    ],
    "devices": [
        {"id": "D1", "node": "N1", "kind": "decoder", "draw_ma": 1.2},
        {"id": "D2", "node": "N2", "kind": "sensor", "draw_ma": 0.0},
    ],
}

REHEARSAL: Document = {
    "format": "clampline-rehearsal/1",
    "survey": SURVEY,
    "series_coil_ohm": [40.0, 100.0],
    "faults": [{"kind": "short", "at": {"device": "D1"}, "resistance_ohm": 3.0}],
    "meter": {"percent": 1.0, "counts": 2, "resolution_ma": 1.0, "seed": 7},
    "costs": {
        "walk_m_per_s": 1.2,
        "box_min": 3.0,
        "buried_min": 45.0,
        "controller_min": 4.0,
        "same_place_min": 0.5,
        "isolate_min": {"device": 6.0, "splice": 25.0, "segment": 60.0},
    },
}

TRACE: Document = {
    "format": "clampline-trace/1",
    "survey": SURVEY,
    "series_coil_ohm": None,
    "meter": {"percent": 2.0},
    "costs": {"isolate_min": 10.0},
    "priors": [{"at": {"splice": "N1"}, "weight": 3.0}],
    "sound_record": [
        {
            "leg": "S1",
            "current_ma": 140.0,
            "coil": True,
            "far_v": 25.1,
            "insulation_mohm": 5.0,
            "wet": False,
            "date": "2024-04-02",
            "meter": "M1",
        }
    ],
}

GONE = object()
"""Stands for a member that is taken out."""


def bent(document: Document, pointer: str, value: object) -> Document:
    """A copy with one member set, added (``/-`` at the end of a list) or taken out."""
    copied: Document = copy.deepcopy(document)
    *path, last = pointer.split("/")[1:]
    inside: Any = copied
    for part in path:
        inside = inside[int(part)] if isinstance(inside, list) else inside[part]
    if isinstance(inside, list):
        if last == "-":
            inside.append(value)
        elif value is GONE:
            del inside[int(last)]
        else:
            inside[int(last)] = value
    elif value is GONE:
        del inside[last]
    else:
        inside[last] = value
    return copied


def _between(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, exclude_min=low == 0.0)


_LETTERS = st.characters(categories=("L", "N", "P", "S"))
_TEXTS = st.text(_LETTERS, min_size=1, max_size=20)
_DATES = st.dates().flatmap(
    lambda day: st.sampled_from([f"{day:%Y-%m-%d}".zfill(10), f"{day.year:04}"])
)


def _some(required: dict[str, Any], **optional: Any) -> st.SearchStrategy[Document]:
    return st.fixed_dictionaries(required, optional=optional)


@st.composite
def surveys(draw: st.DrawFn, prefix: str = "") -> Document:
    """Whole surveys in the form that is written: trees, with loops sometimes.

    Every id starts with ``prefix``, so that two surveys may share none.
    """
    count = draw(st.integers(1, 7))
    names = draw(
        st.lists(
            st.text(_LETTERS, min_size=1, max_size=64 - len(prefix)).map(prefix.__add__),
            min_size=4 * count + 4,
            max_size=4 * count + 4,
            unique=True,
        )
    )
    node_ids = [names.pop() for _ in range(count)]
    nodes = [_drawn_node(draw, one, is_controller=place == 0) for place, one in enumerate(node_ids)]
    segments = [
        _drawn_segment(draw, names.pop(), node_ids[draw(st.integers(0, n - 1))], node_ids[n])
        for n in range(1, count)
    ]
    topology = "tree"
    if count > 1 and draw(st.booleans()):
        segments.append(_drawn_segment(draw, names.pop(), node_ids[0], node_ids[-1]))
        is_closed = all(segment["joint_open"] is False for segment in segments)
        topology = "meshed" if is_closed else ""
    for segment in segments:
        if node_ids[0] in (segment["from"], segment["to"]) and draw(st.booleans()):
            segment["output"] = draw(_TEXTS)
    devices = [
        _drawn_device(draw, names.pop(), draw(st.sampled_from(node_ids)))
        for _ in range(draw(st.integers(0, count)))
    ]
    path = _drawn_path(draw)
    if topology and draw(st.booleans()):
        path["topology"] = topology
    return {
        "format": "clampline-survey/1",
        "path": path,
        "nodes": nodes,
        "segments": segments,
        "devices": devices,
    }


def _drawn_path(draw: st.DrawFn) -> Document:
    row: Document = draw(
        _some(
            {
                "label": _TEXTS,
                "frequency_hz": _between(1.0, 400.0),
                "source_v": _between(0.0, 60.0),
                "source_ohm": st.lists(_between(0.0, 9.0), min_size=2, max_size=2),
                "trip_ma": _between(0.0, 5000.0),
                "conductor_temp_c": _between(-40.0, 90.0),
                "earth_reference_ohm": st.none() | _between(0.0, 1e5),
            },
            trip_spread=_between(0.0, 0.9),
            capacitance_nf_per_km=_between(0.0, 200.0),
            anchor=st.fixed_dictionaries(
                {
                    "lat": _between(-90.0, 90.0),
                    "lon": _between(-180.0, 180.0),
                    "bearing_deg": _between(-360.0, 360.0),
                }
            ),
        )
    )
    limits = draw(_some({}, min_device_v=_between(0.0, 30.0), max_current_ma=_between(0.0, 2e3)))
    return row | ({"limits": limits} if limits else {})


def _drawn_node(draw: st.DrawFn, one: str, *, is_controller: bool) -> Document:
    kinds = ["device-splice", "branch-splice", "inline-splice", "cable-end"]
    row: Document = draw(
        _some(
            {
                "id": st.just(one),
                "kind": st.just("controller") if is_controller else st.sampled_from(kinds),
                "x_m": _between(-1e4, 1e4),
                "y_m": _between(-1e4, 1e4),
                "access": st.sampled_from(["cabinet", "box", "buried"]),
            },
            splice=_some({}, connector=_TEXTS, made=_DATES, by_crew=_TEXTS),
        )
    )
    return row


def _drawn_segment(draw: st.DrawFn, one: str, start: str, end: str) -> Document:
    conductors = ["AWG 10", "AWG 12", "AWG 14", "AWG 16", "AWG 18"]
    conductors += ["1.5 mm2", "2.5 mm2", "4 mm2", "6 mm2"]
    row: Document = draw(
        _some(
            {
                "id": st.just(one),
                "from": st.just(start),
                "to": st.just(end),
                "length_m": _between(0.0, 1e4),
                "conductor": st.sampled_from(conductors),
                "joint_open": st.sampled_from([False, True, "from"]),
            },
            reactance_ohm_per_km=_between(0.0, 1.0),
            length_known=st.sampled_from(["measured", "scaled", "guessed"]),
            laid_year=st.integers(1900, 2200),
        )
    )
    return row


def _drawn_device(draw: st.DrawFn, one: str, node: str) -> Document:
    row: Document = draw(
        _some(
            {
                "id": st.just(one),
                "node": st.just(node),
                "kind": st.sampled_from(["decoder", "sensor", "arrester", "other"]),
                "draw_ma": st.just(0.0) | _between(0.0, 300.0),
            },
            off_below_v=_between(0.0, 30.0),
            power_factor=_between(0.01, 0.99),
            outputs=st.integers(0, 8),
            active_ma=_between(0.0, 300.0),
            model_name=_TEXTS,
            installed=_DATES,
            stations=st.lists(st.integers(0, 99), min_size=1, max_size=4),
        )
    )
    model = draw(st.sampled_from(["", "knee", "power"]))
    if model:
        row["model"] = model
    if model == "knee":
        row["knee_v"] = draw(_between(0.0, 30.0))
    return row
