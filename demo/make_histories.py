"""Writes ``histories.json``: four years of an invented contractor's failures, of known truth.

``python -m demo.make_histories``. Eight properties with one path each. On the Mill Race path five
splices side by side lie in a wet hollow and fail sixteen times as often; crew Birch mends so that
one repair in three does not hold; a segment was split when a valve was added; the rest is chance.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

FILE = Path(__file__).with_name("histories.json")
END_DAY = 1461.0
PROPERTIES = (
    "Alder Court", "Brook Field", "Cedar Rise", "Dale End",
    "Elm Park", "Fern Hill", "Glebe Yard", "Mill Race",
)  # fmt: skip
CREWS = ("Ash", "Birch", "Hazel")
SPLICES = 24
A_DAY = 0.25 / 1000.0
HOLLOW = range(9, 14)

Document = dict[str, Any]


def histories() -> Document:
    """The document."""
    rng = np.random.default_rng(19)
    winters = [[float(day), float(day + 120)] for day in range(305, 1461, 365)]
    winters[-1][1] = END_DAY
    wet = [[float(day), float(day + 10)] for day in range(40, 1461, 45)]
    places: list[Document] = []
    failures: list[Document] = []
    for number, name in enumerate(PROPERTIES):
        path = f"{name} path"
        group = [name, path]
        for at in range(1, SPLICES + 1):
            splice = f"{number + 1}-N{at}"
            places.append({"id": splice, "kind": "splice", "groups": group})
            rate = A_DAY * (16.0 if name == "Mill Race" and at in HOLLOW else 1.0)
            failures += _failures(rng, splice, rate, winters)
            if at > 1:
                segment: Document = {
                    "id": f"{number + 1}-S{at - 1}",
                    "kind": "segment",
                    "length_m": float(rng.integers(15, 60)),
                    "groups": group,
                    "between": [f"{number + 1}-N{at - 1}", splice],
                }
                places.append(segment)
                rate = A_DAY / 80.0 * segment["length_m"]
                failures += [
                    {**failure, "fraction": round(float(rng.random()), 2)}
                    for failure in _failures(rng, segment["id"], rate, winters)
                ]
    lineage = [_split(places, failures)]
    return {
        "format": "clampline-histories/1",
        "time_unit": "days",
        "watched": [0.0, END_DAY],
        "off": winters,
        "wet": wet,
        "levels": ["property", "wire path"],
        "path_level": "wire path",
        "places": places,
        "failures": sorted(failures, key=lambda row: (row["at"], row["place"])),
        "lineage": lineage,
        "questions": {
            "same_place": {"rule": "splices", "reach": 1.0},
            "call_back_within": 90.0,
            "costs": {"renewal": 900.0, "failure": 350.0},
            "seed": 1,
        },
    }


def _failures(
    rng: np.random.Generator, place: str, rate: float, winters: list[list[float]]
) -> list[Document]:
    """Failures at a rate while energised, and the ones that follow a repair that did not hold."""
    found: list[Document] = []
    waiting = np.sort(rng.uniform(0.0, END_DAY, rng.poisson(rate * END_DAY))).tolist()
    while waiting:
        at = round(float(waiting.pop(0)), 1)
        if not 1.0 < at < END_DAY or any(low <= at < high for low, high in winters):
            continue
        crew = CREWS[int(rng.integers(len(CREWS)))]
        row: Document = {"place": place, "at": at, "crew": crew}
        if rng.random() < 0.5:
            row["renewed"] = True
        found.append(row)
        if crew == "Birch" and rng.random() < 1.0 / 3.0:
            waiting.append(at + float(rng.exponential(25.0)))
    return found


def _split(places: list[Document], failures: list[Document]) -> Document:
    """The third segment of the first path was cut in two on day 700, 40 % along it."""
    old = next(row for row in places if row["id"] == "1-S3")
    first, last = old["between"]
    length, valve = old["length_m"], "1-N3a"
    old["watched"] = [0.0, 700.0]
    failures[:] = [row for row in failures if row["place"] != "1-S3" or row["at"] <= 700.0]
    since = {"watched": [700.0, END_DAY], "groups": old["groups"]}
    places.append({"id": valve, "kind": "splice", **since})
    for name, share, ends in (("a", 0.4, [first, valve]), ("b", 0.6, [valve, last])):
        part = {"id": f"1-S3{name}", "kind": "segment", "length_m": round(share * length, 2)}
        places.append({**part, "between": ends, **since})
    new = [{"place": "1-S3a", "share": 0.4}, {"place": "1-S3b", "share": 0.6}]
    return {"old": "1-S3", "new": new}


if __name__ == "__main__":
    FILE.write_text(json.dumps(histories(), indent=1) + "\n", encoding="utf-8")
