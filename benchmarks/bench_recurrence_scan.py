"""The scan on invented paths: false flags under chance, power where a stretch is bad.

A world has 50 branching paths of 20 to 100 segments. ``screened``: only paths whose total has a
predictive p-value below 0.05 against the other paths are scanned, which is how it is meant to be
used; given its total a path's scan is independent of that choice. ``all``: every path is scanned;
with 199 draws no p-value is below 1/200, so alone among 50 no path can be flagged.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from benchmarks.bench_recurrence_flags import held_cells, mixed_keys
from benchmarks.recurrence_worlds import gamma_around_one
from benchmarks.report import percent, table
from benchmarks.runner import Row
from faults.recurrence.checked import Floats, Wholes
from faults.recurrence.flags import adjusted_p_values, peer_p_values
from faults.recurrence.peers import fit_peers
from faults.recurrence.scan import Scanned, ScanParams, scan_path
from faults.recurrence.stretches import Stretches, connected_stretches

Q = 0.05
PATHS = 50
SHAPES = 100
LONGEST = 100
FAILURES_A_SEGMENT = 0.08
BAD_SHARE = 0.1
BAD_SEGMENTS = 6
SCREEN = 0.05
WORLDS = {"equal": 200, "unequal": 200, "stretch-5": 50, "stretch-10": 50, "stretch-20": 50}
DISPERSION = {"equal": 0.0}
RATIO = {"stretch-5": 5.0, "stretch-10": 10.0, "stretch-20": 20.0}
DRAWS = 199
DEEP_DRAWS = 1999


def scan_keys() -> list[str]:
    """Worlds by kind, mixed."""
    return mixed_keys(WORLDS)


@cache
def shape(number: int) -> tuple[Wholes, Stretches]:
    """Links and stretches of one of a hundred branching paths."""
    rng = np.random.default_rng([21, number])
    cells = int(rng.integers(20, LONGEST + 1))
    above = [int(rng.integers(max(0, cell - 4), cell)) for cell in range(1, cells)]
    links = np.column_stack([above, np.arange(1, cells)])
    return links, connected_stretches(cells, links)


def scan_row(key: str) -> Row:
    """All paths of one world, scanned; flags over all and over those screened."""
    kind, _, world = key.partition("/")
    rng = np.random.default_rng([22, list(WORLDS).index(kind), int(world)])
    numbers = rng.integers(0, SHAPES, PATHS)
    length, counts, bad = [], [], []
    for number in numbers.tolist():
        of_path = _path(rng, number, kind)
        length.append(of_path[0])
        counts.append(of_path[1])
        bad.append(of_path[2])
    totals = np.array([int(c.sum()) for c in counts])
    exposure = np.array([float(each.sum()) for each in length])
    p_total, _ = peer_p_values(totals, exposure)
    # Of the paths that do not stand out: a bad stretch would pass for a spread that all have.
    usual = np.flatnonzero(p_total >= SCREEN).tolist()
    spread = fit_peers(
        np.concatenate([counts[i] for i in usual]), np.concatenate([length[i] for i in usual])
    ).dispersion
    params = ScanParams(draws=DRAWS, dispersion=spread)
    found = [
        scan_path(c, each, shape(number)[1], params, rng)
        for c, each, number in zip(counts, length, numbers.tolist(), strict=True)
    ]
    deep_params = ScanParams(draws=DEEP_DRAWS, dispersion=spread)
    deep = [
        scan_path(c, each, shape(number)[1], deep_params, rng)
        for c, each, number in zip(counts, length, numbers.tolist(), strict=True)
    ]
    screened = p_total < SCREEN
    row: Row = {"kind": kind, "failures": int(totals.sum()), "dispersion": round(spread, 4)}
    row["planted"] = sum(bool(b) for b in bad)
    row["draws"] = sum(one.draws for one in found)
    every = np.ones(PATHS, np.bool_)
    uses = {"screened": (screened, found), "all": (every, found), "all, deep": (every, deep)}
    for name, (chosen, scans) in uses.items():
        p_scan = np.array([one.p_value for one in scans])
        flagged = np.zeros(PATHS, np.bool_)
        flagged[chosen] = adjusted_p_values(p_scan[chosen]) <= Q
        hits = [_hits(scans[i], bad[i]) for i in np.flatnonzero(flagged)]
        row[name] = {"scanned": int(chosen.sum()), "flagged": len(hits), "true": sum(hits)}
    row["deep_draws"] = sum(one.draws for one in deep)
    return row


def _path(rng: np.random.Generator, number: int, kind: str) -> tuple[Floats, Wholes, set[int]]:
    """Lengths, failures and, where planted, the bad cells of one path."""
    links, stretches = shape(number)
    cells = len(links) + 1
    length = rng.uniform(0.3, 1.7, cells)
    rate = FAILURES_A_SEGMENT * gamma_around_one(rng, DISPERSION.get(kind, 0.4), cells)
    bad: set[int] = set()
    if kind in RATIO and rng.random() < BAD_SHARE:
        sizes = np.diff(stretches.members.indptr)
        bad = set(stretches.cells(int(rng.choice(np.flatnonzero(sizes == BAD_SEGMENTS)))))
        rate[sorted(bad)] *= RATIO[kind]
    return length, rng.poisson(rate * length), bad


def _hits(found: Scanned, bad: set[int]) -> bool:
    """A true flag: half of what it names is bad, or half of what is bad it names."""
    both = len(bad & set(found.cells))
    return bool(bad) and both * 2 >= min(len(found.cells), len(bad))


def scan_section(rows: list[Row]) -> str:
    """One line for each kind of world and each use."""
    good = [row for row in rows if "error" not in row]
    body = []
    for use in ("screened", "all", "all, deep"):
        for kind in WORLDS:
            own = [row for row in good if row["kind"] == kind]
            if own:
                body.append((f"{kind}, {use}", *_cells(own, use)))
    head = ["worlds", "n", "failures a world", "scanned", "flagged", "false share", "2 s.e."]
    head += ["q + 2 s.e.", "held", "power"]
    told = (
        f"{PATHS} branching paths of 20 to {LONGEST} segments, {DRAWS} draws, stop at the tenth as "
        f"large, q = {Q}. Rates of segments spread by a gamma of variance 0.4 but in *equal*; the "
        "scan takes the spread fitted to the segments of paths that do not stand out. "
        f"*Stretch-r*: a tenth of the paths has {BAD_SEGMENTS} connected segments at r times "
        "their rate; a flag is true where half of what it names is bad or half of what is bad is "
        "named; *power*: of those paths the "
        "share so flagged. *Screened*: only paths are scanned whose total stands out at 0.05 "
        "against the other paths, and Benjamini–Hochberg is over these. *All* is held back by the "
        "draws: with 199 no p-value is below 0.005, too large to stand alone among 50; *deep* has "
        f"{DEEP_DRAWS:,} of them."
    )
    worlds = max(len(good), 1) * PATHS
    few, deep = (
        percent(sum(row[name] for row in good) / worlds / most, 1)
        for name, most in (("draws", DRAWS), ("deep_draws", DEEP_DRAWS))
    )
    end = f"The sequential stop took {few} of {DRAWS} draws a path, and {deep} of {DEEP_DRAWS:,}."
    return f"{told}\n\n{table(head, body)}\n\n{end}"


def _cells(own: list[Row], use: str) -> tuple[str, ...]:
    shares = np.array(
        [(row[use]["flagged"] - row[use]["true"]) / max(row[use]["flagged"], 1) for row in own]
    )
    planted = sum(row["planted"] for row in own)
    return (
        str(len(own)),
        f"{np.mean([row['failures'] for row in own]):.0f}",
        f"{np.mean([row[use]['scanned'] for row in own]):.1f}",
        f"{np.mean([row[use]['flagged'] for row in own]):.2f}",
        *held_cells(shares, Q),
        percent(sum(row[use]["true"] for row in own) / planted, 1) if planted else "",
    )
