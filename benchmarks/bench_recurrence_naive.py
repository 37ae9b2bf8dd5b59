"""Against the rule "so many failures in a year": failures until a bad unit is flagged.

Both watch 200 properties over 10 years. The rule flags a property at the failure that makes m in
365 days. The statistics look at each quarter's end, at the failures and exposure so far. Either's
false discovery is the share of false flags among all it raised in the 10 years; they are compared
where that is equal, by choosing the cut of the p-value.
"""

from __future__ import annotations

from pathlib import Path
from xml.etree.ElementTree import tostring

import numpy as np

from benchmarks.recurrence_worlds import (
    FAILURES_A_SPLICE_YEAR,
    PROPERTIES,
    YEARS,
    gamma_around_one,
    sizes,
)
from benchmarks.report import percent, table
from benchmarks.runner import ROOT, Row
from faults.recurrence.checked import Floats, Wholes
from faults.recurrence.drawing import Curve, Plot, plot_element
from faults.recurrence.flags import adjusted_p_values, peer_p_values

WORLDS = 120
LOOKS = 40
QS = (0.01, 0.05, 0.2, 0.5)
# Cuts of the p-value itself, for false shares that nobody would ask of q.
CUTS = tuple(float(f"{10.0**-power:.2g}") for power in np.arange(4.0, 0.2, -0.2))
IN_A_YEAR = (2, 3, 4, 5, 6, 8, 10, 15, 20)
DRAWN = (3, 10)
RATIO = 6.0
BAD = 0.05
DISPERSION = 0.3
# A unit that was never flagged; kept apart from any count.
NEVER = -1
PICTURE = ROOT / "docs" / "pictures" / "recurrence-naive.svg"


def naive_keys() -> list[str]:
    """The worlds."""
    return [f"{world:05d}" for world in range(WORLDS)]


def naive_row(key: str) -> Row:
    """For every rule: false and true flags, and each bad unit's failures when flagged."""
    rng = np.random.default_rng([23, int(key)])
    size = sizes(rng)
    bad = rng.random(PROPERTIES) < BAD
    # Twice the dry rate: what wet ground and storms add to it on the whole.
    rate = 2.0 * FAILURES_A_SPLICE_YEAR * size * gamma_around_one(rng, DISPERSION, PROPERTIES)
    rate = np.where(bad, RATIO * rate, rate)
    count = rng.poisson(rate * YEARS)
    times = [np.sort(rng.uniform(0.0, YEARS, each)) for each in count.tolist()]
    rules = {f"m{m}": _naive(times, m) for m in IN_A_YEAR}
    rules |= _ours(times, size)
    row: Row = {"bad": int(bad.sum()), "failures": count[bad].tolist()}
    for name, flagged_at in rules.items():
        row[name] = {
            "false": int(np.sum(~bad & (flagged_at != NEVER))),
            "at": flagged_at[bad].tolist(),
        }
    return row


def _naive(times: list[Floats], m: int) -> Wholes:
    """Failures a unit had when it first had m within a year, or NEVER."""
    flagged = np.full(len(times), NEVER)
    for unit, own in enumerate(times):
        close = np.flatnonzero(own[m - 1 :] - own[: max(len(own) - m + 1, 0)] <= 1.0)
        if len(close):
            flagged[unit] = int(close[0]) + m
    return flagged


def _ours(times: list[Floats], size: Wholes) -> dict[str, Wholes]:
    """Failures a unit had at the first look that flags it, for each q and each cut."""
    flagged = {f"q{q}": np.full(len(times), NEVER) for q in QS}
    flagged |= {f"p{cut}": np.full(len(times), NEVER) for cut in CUTS}
    for look in range(1, LOOKS + 1):
        now = YEARS * look / LOOKS
        counts = np.array([int(np.searchsorted(own, now)) for own in times])
        p_value, _ = peer_p_values(counts, size * now)
        adjusted = adjusted_p_values(p_value)
        for rule, first in flagged.items():
            value = adjusted if rule[0] == "q" else p_value
            new = (first == NEVER) & (value <= float(rule[1:]))
            first[new] = counts[new]
    return flagged


def naive_section(rows: list[Row]) -> str:
    """All rules, then the two that are equal in false discovery, and the plot."""
    good = [row for row in rows if "error" not in row]
    rules = [f"m{m}" for m in IN_A_YEAR] + [f"q{q}" for q in QS]
    rules += [f"p{cut}" for cut in CUTS]
    body = [(_words(rule), *_cells(good, rule)) for rule in rules]
    head = ["rule", "flags a world", "false share", "bad found", "median failures until flagged"]
    head += ["mean, end of watch where never"]
    pairs = [(f"m{m}", _equal(good, f"m{m}")) for m in IN_A_YEAR]
    told = "\n".join(_compared(good, naive, ours) for naive, ours in pairs)
    _draw(good, [(naive, ours) for naive, ours in pairs if int(naive[1:]) in DRAWN])
    return (
        f"{len(good)} worlds of {PROPERTIES} properties of 4 to 300 splices over {YEARS:g} years, "
        f"rates spread by a gamma of variance {DISPERSION}; {percent(BAD, 0)} are bad, at "
        f"{RATIO:g} times their rate. *False share*: of all flags raised in the years those on "
        "sound properties, mean over worlds. The statistics look at each quarter's end, forty "
        "looks in all, and keep what was ever flagged; one fit a look, without fitting again.\n\n"
        + table(head, body)
        + f"\n\nAt equal false discovery (the largest cut whose false share is not above the "
        f"rule's):\n\n{told}\n\n![Bad properties flagged by number of failures]"
        f"({PICTURE.relative_to(ROOT / 'docs')})"
    )


def _words(rule: str) -> str:
    words = {"m": "{} failures in a year", "q": "peers, q = {}", "p": "peers, p at most {}"}
    return words[rule[0]].format(rule[1:])


def _false_share(rows: list[Row], rule: str) -> float:
    shares = []
    for row in rows:
        true = sum(at != NEVER for at in row[rule]["at"])
        shares.append(row[rule]["false"] / max(row[rule]["false"] + true, 1))
    return float(np.mean(shares))


def _equal(rows: list[Row], naive: str) -> str:
    """The largest cut whose false share is not above the rule's; else the smallest there is."""
    goal = _false_share(rows, naive)
    fit = [f"p{cut}" for cut in CUTS if _false_share(rows, f"p{cut}") <= goal]
    return fit[-1] if fit else f"p{CUTS[0]}"


def _until(rows: list[Row], rule: str) -> Floats:
    """Failures until flagged of all bad units, infinite where never."""
    at = np.array([one for row in rows for one in row[rule]["at"]], dtype=np.float64)
    return np.where(at == NEVER, np.inf, at)


def _cells(rows: list[Row], rule: str) -> tuple[str, ...]:
    until = _until(rows, rule)
    all_failures = np.array([one for row in rows for one in row["failures"]])
    flags = [row[rule]["false"] + sum(at != NEVER for at in row[rule]["at"]) for row in rows]
    median = float(np.quantile(until, 0.5, method="inverted_cdf"))
    return (
        f"{np.mean(flags):.1f}",
        percent(_false_share(rows, rule), 1),
        percent(float(np.mean(np.isfinite(until))), 1),
        f"{median:.0f}" if np.isfinite(median) else "never",
        f"{np.mean(np.where(np.isfinite(until), until, all_failures)):.1f}",
    )


def _compared(rows: list[Row], naive: str, ours: str) -> str:
    found = [percent(float(np.mean(np.isfinite(_until(rows, rule)))), 1) for rule in (naive, ours)]
    mean = [_cells(rows, rule)[-1] for rule in (naive, ours)]
    false = [percent(_false_share(rows, rule), 1) for rule in (naive, ours)]
    return (
        f"- {_words(naive)}: false {false[0]}, finds {found[0]} after {mean[0]} failures; "
        f"{_words(ours)}: false {false[1]}, finds {found[1]} after {mean[1]}."
    )


def _draw(rows: list[Row], pairs: list[tuple[str, str]]) -> None:
    most = 40
    steps = np.arange(most + 1, dtype=np.float64)
    curves = [
        Curve(
            _words(rule),
            steps,
            np.array([float(np.mean(_until(rows, rule) <= step)) for step in steps]),
        )
        for pair in pairs
        for rule in pair
    ]
    plot = Plot(
        title="Bad properties flagged, at equal false discovery",
        across="failures of the bad property so far",
        up="share flagged",
        curves=tuple(curves),
    )
    write_picture(PICTURE, plot)


def write_picture(file: Path, plot: Plot) -> None:
    """Write a plot beside the documents."""
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(tostring(plot_element(plot), encoding="unicode") + "\n", encoding="utf-8")
