"""Invented records of a contractor: paths, calls that went well and badly, repairs, parts."""

from __future__ import annotations

import numpy as np

from faults.audit.records import (
    DEVICE,
    SEGMENT,
    SPLICE,
    At,
    Case,
    Facts,
    Failure,
    Flagged,
    Ground,
    MapCable,
    MapDevice,
    MapNode,
    Part,
    PathMap,
    Records,
    Repair,
)
from faults.recurrence.poisson_limits import garwood_limits

FIRST, LAST = 19_000.0, 20_000.0
CREWS = ("Blue crew", "Red crew", "(not told)")
SORTS = ("gel-filled twist-on", "=grease cap", "")
"""One looks like a formula: a spreadsheet must not take it for one."""


def records(seed: int, paths: int = 4, calls: int = 60) -> Records:
    """Two properties with some paths each; trouble near the far end of each path."""
    rng = np.random.default_rng(seed)
    maps = {f"path_{n}": _map(rng, boxes=8 + n) for n in range(paths)}
    property_of = {path: f"prop_{n % max(2, paths // 4)}" for n, path in enumerate(maps)}
    ground = tuple(row for path in maps for row in _ground(rng, path, property_of, maps[path]))
    cases, failures, repairs, parts = [], [], [], []
    opened = np.sort(rng.uniform(FIRST + 40, LAST, calls))
    for number, at in enumerate(opened.tolist()):
        path = str(rng.choice(sorted(maps)))
        crew = str(rng.choice(CREWS))
        case, rest = _call(rng, number, at, path, property_of, crew)
        cases.append(case)
        if rest == "proved":
            place = _place(rng, path, maps[path])
            name, found_at = f"find_{number}", at + 0.4
            failures.append(Failure(name, case.id, case.property, crew, found_at, place))
            repairs.append(_repair(rng, number, found_at + 0.2, case, place))
            if rng.uniform() < 0.5:
                what, bench = str(rng.choice(["decoder", "sensor"])), str(rng.choice(_BENCH))
                parts.append(
                    Part(f"part_{number}", case.id, case.property, crew, at + 0.7, what, bench)
                )
    names = {path: f"{property_of[path]} {path}" for path in maps}
    return Records(
        cases=tuple(cases),
        failures=tuple(failures),
        repairs=tuple(repairs),
        parts=tuple(parts),
        flags=_flags(rng, property_of, failures),
        ground=ground,
        maps=maps,
        names=names | {"prop_0": "Alder Court", "prop_1": "Birch Court"},
    )


def _flags(
    rng: np.random.Generator, property_of: dict[str, str], failures: list[Failure]
) -> tuple[Flagged, ...]:
    """One for each path with failures; some cleared, one from before failures were kept."""
    found = []
    for number, path in enumerate(sorted({one.place.path for one in failures})):
        own = [one.id for one in failures if one.place.path == path]
        expected = float(rng.uniform(0.2, 1.5))
        limits = garwood_limits([len(own)])
        raised = float(rng.uniform(FIRST, LAST))
        found.append(
            Flagged(
                id=f"flag_{number}",
                property=property_of[path],
                path=path,
                state="cleared" if number % 2 else "raised",
                at=raised,
                cleared=raised + 100.0 if number % 2 else None,
                places="the splice at B3, cable run W4",
                failures=() if number == 2 else tuple(own),
                count=len(own),
                expected=expected,
                ratio_low=float(limits.low[0]) / expected,
                ratio_high=float(limits.high[0]) / expected,
                p=float(rng.uniform(1e-6, 1e-3)),
                q=float(rng.uniform(1e-3, 0.05)),
            )
        )
    return tuple(found)


_BENCH = ("sound", "faulty", "not-tested")


def _map(rng: np.random.Generator, boxes: int) -> PathMap:
    nodes = [MapNode("C0", 0.0, 0.0, None)]
    cables, devices = [], []
    for box in range(1, boxes + 1):
        before = f"B{box - 1}" if box > 1 else "C0"
        if box == boxes:
            before = "B3"  # a branch
        made = None if rng.uniform() < 0.2 else float(FIRST - rng.integers(0, 7000))
        sort = str(rng.choice(SORTS))
        nodes.append(MapNode(f"B{box}", 12.0 * box, 5.0, Facts(SPLICE, sort, made)))
        long = float(np.round(rng.uniform(6, 20), 1))
        cables.append(
            MapCable(f"W{box}", (before, f"B{box}"), Facts(SEGMENT, "AWG 14", made, long))
        )
        devices.append(MapDevice(f"D{box}", f"B{box}", Facts(DEVICE, "decoder", made)))
    return PathMap(tuple(nodes), tuple(cables), tuple(devices))


def _ground(
    rng: np.random.Generator, path: str, property_of: dict[str, str], path_map: PathMap
) -> list[Ground]:
    start = FIRST + float(rng.uniform(0, 30))
    things = [one.facts for one in (*path_map.nodes, *path_map.cables, *path_map.devices)]
    rows = [Ground(path, property_of[path], facts, start) for facts in things if facts]
    # A splice that was made anew half-way: the old one until then, the new one after.
    middle = (FIRST + LAST) / 2
    rows.append(Ground(path, property_of[path], Facts(SPLICE, "old", FIRST - 5000), start, middle))
    rows.append(Ground(path, property_of[path], Facts(SPLICE, "new", middle), middle))
    return rows


def _place(rng: np.random.Generator, path: str, path_map: PathMap) -> At:
    box = int(min(rng.geometric(0.35), len(path_map.devices)))
    kind = str(rng.choice(["splice", "cable", "device", "gone", "unmapped"], p=_SHARES))
    if kind == "splice":
        node = path_map.nodes[box]
        assert node.facts is not None
        return At(path, node.code, node.facts)
    if kind == "cable":
        return At(path, path_map.cables[box - 1].code, path_map.cables[box - 1].facts)
    if kind == "device":
        return At(path, path_map.devices[box - 1].code, path_map.devices[box - 1].facts)
    if kind == "gone":
        return At(path, "X1", Facts(SPLICE, "old", FIRST - 5000))
    return At(path, f"B{box}", Facts("unmapped"))


_SHARES = (0.4, 0.25, 0.2, 0.1, 0.05)


def _call(
    rng: np.random.Generator,
    number: int,
    at: float,
    path: str,
    property_of: dict[str, str],
    crew: str,
) -> tuple[Case, str]:
    end = str(rng.choice(["proved", "unproved", "not-present", "open", "cancelled"], p=_ENDS))
    known = rng.uniform() < 0.9
    own = tuple(sorted(one for one in property_of if property_of[one] == property_of[path]))
    closed = None if end in ("open", "cancelled") else at + float(rng.uniform(1, 3))
    reopened = closed + 20.0 if closed and rng.uniform() < 0.08 else None
    outcome = {"proved": "repaired", "open": "", "cancelled": ""}.get(end, end)
    case = Case(
        id=f"call_{number}",
        property=property_of[path],
        paths=(path,) if known else own,
        crew=crew,
        opened=at,
        closed=closed,
        reopened=reopened,
        outcome="" if reopened else outcome,
        proof=f"find_{number}" if end == "proved" else "",
        stopped=end == "unproved" and bool(rng.uniform() < 0.6),
        tested=end == "proved" and bool(rng.uniform() < 0.9),
        cancelled=end == "cancelled",
    )
    return case, end


_ENDS = (0.6, 0.15, 0.15, 0.05, 0.05)


def _repair(rng: np.random.Generator, number: int, at: float, case: Case, place: At) -> Repair:
    return Repair(
        id=f"rep_{number}",
        case=case.id,
        property=case.property,
        crew=case.crew,
        at=at,
        kind={SPLICE: "splice", SEGMENT: "cable"}.get(place.facts.kind, "device"),
        splices=int(rng.integers(0, 5)),
        place=None if rng.uniform() < 0.05 else place,
        told_failed=bool(rng.uniform() < 0.1),
        soak=rng.choice(["", "open", "held", "failed", "dropped"]),  # type: ignore[arg-type]
        soak_due=at + float(rng.choice([14.0, 2000.0])),
        wet_test=bool(rng.uniform() < 0.2),
    )
