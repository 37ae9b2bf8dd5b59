"""Are flags what they say? Mean share of false flags, and how much trouble is found.

Under pure chance every flag is false; a world's share of false flags is then 0 or 1, else the
false ones among the flagged. ``equal``: one rate for all places of a kind. ``unequal``: rates
spread by a gamma of variance 0.4; that is chance too, for nobody's work is to blame.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from benchmarks.recurrence_worlds import Kind, Units, property_units, splice_units
from benchmarks.report import percent, table
from benchmarks.runner import Row
from faults.recurrence.checked import Floats
from faults.recurrence.flags import FlagParams, flag_units

Q = 0.05
_UNEQUAL = 0.4
WORLDS = {"equal": 1000, "unequal": 1000, "mild": 150, "middle": 150, "strong": 150}
# Of a property's splices most are sound, so its own rate rises less than a bad splice's.
KINDS = {
    "property": {
        "equal": Kind(0.0),
        "unequal": Kind(_UNEQUAL),
        "mild": Kind(_UNEQUAL, 0.05, 3.0),
        "middle": Kind(_UNEQUAL, 0.05, 6.0),
        "strong": Kind(_UNEQUAL, 0.05, 12.0),
    },
    "splice": {
        "equal": Kind(0.0),
        "unequal": Kind(_UNEQUAL),
        "mild": Kind(_UNEQUAL, 0.005, 15.0),
        "middle": Kind(_UNEQUAL, 0.005, 30.0),
        "strong": Kind(_UNEQUAL, 0.005, 60.0),
    },
}
LEVELS: dict[str, Callable[[np.random.Generator, Kind], Units]] = {
    "property": property_units,
    "splice": splice_units,
}


def mixed_keys(worlds: Mapping[str, int]) -> list[str]:
    """So many worlds of each kind, mixed so that a part has all kinds."""
    return [
        f"{kind}/{world:05d}"
        for world in range(max(worlds.values()))
        for kind, count in worlds.items()
        if world < count
    ]


def flag_keys() -> list[str]:
    """Worlds by kind, mixed so that a part has all kinds."""
    return mixed_keys(WORLDS)


def flag_row(key: str) -> Row:
    """Flags of one world at both levels."""
    name, _, world = key.partition("/")
    row: Row = {"kind": name}
    for at, (level, units_of) in enumerate(LEVELS.items()):
        rng = np.random.default_rng([20, list(WORLDS).index(name), int(world), at])
        units = units_of(rng, KINDS[level][name])
        found = flag_units(units.counts, units.exposure, units.group, FlagParams(q=Q))
        row[level] = {
            "units": len(units.counts),
            "failures": int(units.counts.sum()),
            "planted": int(units.is_trouble.sum()),
            "flagged": int(found.flagged.sum()),
            "true": int((found.flagged & units.is_trouble).sum()),
            "rounds": found.rounds,
        }
    return row


def false_share(counts: Row) -> float:
    """Share of false flags in a world, 0 where nothing is flagged."""
    flagged = int(counts["flagged"])
    return (flagged - int(counts["true"])) / max(flagged, 1)


def flag_section(rows: list[Row]) -> str:
    """One line for each kind of world and level."""
    good = [row for row in rows if "error" not in row]
    body = []
    for level in LEVELS:
        for name, kind in KINDS[level].items():
            own = [row[level] for row in good if row["kind"] == name]
            if own:
                planted = f"{percent(kind.trouble, 1)} × {kind.ratio:g}" if kind.trouble else ""
                body.append((f"{name}, {level}", planted, *_cells(own)))
    head = ["worlds", "planted", "n", "failures a unit", "flags a world", "false share"]
    head += ["2 s.e.", "q + 2 s.e.", "held", "power"]
    told = (
        f"Flags at q = {Q}: predictive p-value against the peers left, Benjamini–Hochberg, peers "
        "fitted again without what is flagged. 200 properties, 10 years, units the properties or "
        "their single splices. *Planted*: the share of units that are trouble × their rate over "
        "what it would be. *False share*: mean over worlds of the share of false flags; *power*: "
        "of the units planted the share flagged."
    )
    return told + "\n\n" + table(head, body)


def _cells(own: list[Row]) -> tuple[str, ...]:
    shares = np.array([false_share(world) for world in own])
    planted = sum(world["planted"] for world in own)
    units = sum(world["units"] for world in own)
    return (
        str(len(own)),
        f"{sum(world['failures'] for world in own) / units:.2f}",
        f"{np.mean([world['flagged'] for world in own]):.2f}",
        *held_cells(shares, Q),
        percent(sum(world["true"] for world in own) / planted, 1) if planted else "",
    )


def held_cells(shares: Floats, q: float) -> tuple[str, ...]:
    """Of worlds' shares of false flags: mean, two standard errors, what ``q`` allows, if held."""
    error = float(shares.std(ddof=1) / np.sqrt(len(shares))) if len(shares) > 1 else float("nan")
    most, mean = q + 2.0 * error, float(shares.mean())
    return percent(mean), percent(2.0 * error), percent(most), "yes" if mean <= most else "NO"
