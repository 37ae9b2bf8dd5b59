"""Rows of whole traces on generated cases, and what they say."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator, Sequence

from benchmarks.limits import at_least, at_most
from benchmarks.report import percent, table
from benchmarks.runner import Row
from faults.rehearsal.cases import Case, Family, make_case
from faults.rehearsal.play import PLACES_OF_THE_PATH, Played, first_suspect, play
from faults.tracing.step import Step
from sites.network.faults import Place

SIZES = ((6, 25), (26, 100), (101, 400))
_TELLS = frozenset({"message", "reference", "clamp", "alone", "run_station"})


def keys_of(family: Family, count: int) -> list[str]:
    """Keys ``family-00000`` and on."""
    return [f"{family}-{index:05d}" for index in range(count)]


def row_of(key: str) -> Row:
    """One case played by the planner."""
    family, _, index = key.rpartition("-")
    case = make_case(family, int(index))  # type: ignore[arg-type]
    played = play(case.rehearsal, clock_s=time.perf_counter)
    return {**_case_columns(case), **_played_columns(case, played)}


def _case_columns(case: Case) -> Row:
    fault = case.rehearsal.faults[0]
    return {
        "shape": case.shape,
        "n": case.devices,
        "kind": fault.at.kind,
        "ohm": fault.resistance_ohm,
        "coil_known": case.rehearsal.coil_known,
        "redrawn": case.redrawn,
        "share": None if case.sound_share is None else round(case.sound_share, 3),
    }


def _played_columns(case: Case, played: Played) -> Row:
    verdict = played.verdict
    first = first_suspect(played.steps, verdict)
    return {
        "truth": str(played.truth[0]),
        "first": str(first),
        "outcome": verdict.outcome,
        "located": played.located,
        "proved": played.proved,
        "wrong": played.wrongly_proved,
        "place_proved": any(
            found.proved and found.at.kind in PLACES_OF_THE_PATH for found in verdict.found
        ),
        "right_ending": _right_ending(case.family, verdict.outcome, first),
        "observations": verdict.observations,
        "search": verdict.search_minutes,
        "minutes": round(verdict.minutes, 2),
        "ms_max": round(max(played.suggestion_ms), 1),
        "calls": _calibration(played),
        "expected": minutes_expected(played),
    }


def _right_ending(family: str, outcome: str, first: Place | None) -> bool:
    """Sound: not present; controller: controller; overload: named first, nothing else claimed."""
    if family == "sound":
        return outcome == "not-present"
    if family == "controller":
        return outcome == "controller"
    if family == "overload":
        named = first == Place("overload")
        return named and outcome not in ("controller", "not-present")
    return outcome == "proved"


def _calibration(played: Played) -> list[list[float]]:
    """For each belief after something was read: [chance of the truth, top chance, top right].

    A place that a step does not list has at most what its last listed suspect has: 0 is kept.
    """
    rows = []
    for before, after in zip(played.steps, played.steps[1:], strict=False):
        suspects = after.step.suspects
        if before.observation.do not in _TELLS or not suspects:
            continue
        top = max(suspects, key=lambda suspect: suspect.chance)
        of_truth = sum(s.chance for s in suspects if s.at in played.truth)
        right = float(top.at in played.truth)
        rows.append([round(min(1.0, of_truth), 4), round(top.chance, 4), right])
    return rows


def minutes_expected(played: Played) -> dict[str, list[float]]:
    """[P50, P90 said, minutes it took] at the first step, at the first wire of the search, midway
    through it and where the proof begins; a moment that a trace does not have is left out."""
    search = [i for i, one in enumerate(played.steps) if _is_search(one.step)]
    proof = [i for i, one in enumerate(played.steps) if one.step.stage == "proving"]
    moments = {"first step": [0], "first wire": search, "proof": proof}
    at = {name: found[0] for name, found in moments.items() if found}
    if search:
        at["midway"] = search[len(search) // 2]
    return {name: _expected_at(played, i) for name, i in at.items()}


def _expected_at(played: Played, i: int) -> list[float]:
    step = played.steps[i].step
    before_min = (played.steps[i - 1].observation.at_min or 0.0) if i else 0.0
    took_min = played.verdict.minutes - before_min
    told = (step.remaining_p50_min, step.remaining_p90_min, took_min)
    return [round(minutes, 3) for minutes in told]


def _is_search(step: Step) -> bool:
    return step.stage == "following" and step.do == "clamp"


# -- sections --------------------------------------------------------------------------------


def located_section(rows: list[Row]) -> str:
    """Located, wrongly proved, unproved, over all and by shape and size."""
    head = ("cases", "n", "located", "at least", "wrongly proved", "at most", "unproved", "proved")
    groups: list[tuple[str, list[Row]]] = [("all", rows)]
    whole = [row for row in rows if "error" not in row]
    for name in ("shape", "kind", "coil_known"):
        values = sorted({row[name] for row in whole}, key=str)
        groups += [(f"{name} {v}", [r for r in whole if r[name] == v]) for v in values]
    groups += [(f"{a} to {b} devices", _sized(whole, a, b)) for a, b in SIZES]
    body = [_located_line(name, group) for name, group in groups if group]
    redrawn = sum(row["redrawn"] for row in whole)
    share = redrawn / max(1, redrawn + len(whole))
    search = sorted(row["search"] for row in whole if row["search"] is not None)
    middle = f"{search[len(search) // 2]:.1f}" if search else "none"
    slowest = max((row["ms_max"] for row in whole), default=0.0)
    endings = ", ".join(f"{k} {v}" for k, v in sorted(Counter(_outcomes(rows)).items()))
    return (
        f"{table(head, body)}\n\n{_expected_section(whole)}\n\nEndings: {endings}. "
        "Faults drawn again because the current "
        f"without coil was below 1.05 of the trip: {redrawn} of {redrawn + len(whole)} draws "
        f"({percent(share, 1)}). Median search minutes {middle}; slowest suggestion "
        f"{slowest:.0f} ms, with other processes beside it (clean times: suggestions)."
    )


def ending_section(rows: list[Row]) -> str:
    """Right endings, and places proved where there is none."""
    n = len(rows)
    right = sum(bool(row.get("right_ending")) for row in rows)
    proved = sum(bool(row.get("place_proved")) for row in rows)
    head = ("cases", "right ending", "at least", "a place proved", "at most")
    line = (n, right, percent(at_least(right, n)), proved, percent(at_most(proved, n)))
    endings = ", ".join(f"{k} {v}" for k, v in sorted(Counter(_outcomes(rows)).items()))
    firsts = Counter(str(row.get("first", "error")).split(" ")[0] for row in rows)
    named = ", ".join(f"{k} {v}" for k, v in sorted(firsts.items()))
    return f"{table(head, [line])}\n\nEndings: {endings}. First suspect at the end: {named}."


def heavy_section(rows: list[Row]) -> str:
    """The located table, with the share of the reading that sound devices draw."""
    shares = sorted(row["share"] for row in rows if "error" not in row)
    told = ""
    if shares:
        told = (
            f"\n\nShare of the reading at the controller, coil in, that the sound path draws by "
            f"itself: {shares[0]:.2f} to {shares[-1]:.2f}, median {shares[len(shares) // 2]:.2f}. "
            "Each path has 400 devices and keeps every one at 20 V or more when sound."
        )
    return located_section(rows) + told


def _bins(calls: list[list[float]]) -> Iterator[tuple[int, list[list[float]]]]:
    for low in range(10):
        inside = [c for c in calls if min(9, int(c[1] * 10)) == low]
        if inside:
            yield low, inside


def calibration_error(calls: list[list[float]]) -> float:
    """Mean distance between what was said and what was right, over ten bins of the top chance."""
    apart = sum(abs(_mean(c, 1) - _mean(c, 2)) * len(c) for _, c in _bins(calls))
    return apart / len(calls)


def calibration_section(rows: list[Row]) -> str:
    """Expected calibration error over ten bins of the top chance, and what 0.99 was worth."""
    calls = [call for row in rows for call in row.get("calls", ())]
    cases = sum("calls" in row for row in rows)
    if not calls:
        return "No row has a belief in it."
    body = [
        (
            f"{low / 10:.1f} to {low / 10 + 0.1:.1f}",
            len(inside),
            f"{_mean(inside, 1):.4f}",
            f"{_mean(inside, 2):.4f}",
        )
        for low, inside in _bins(calls)
    ]
    sure = [call for call in calls if call[1] >= 0.99]
    sure_right = sum(int(call[2]) for call in sure)
    told = f"{sure_right} of {len(sure)}" + (
        f" ({percent(sure_right / len(sure))}, at least {percent(at_least(sure_right, len(sure)))}"
        " as if independent)"
        if sure
        else ""
    )
    return (
        f"{len(calls)} beliefs of {cases} traces, one after each reading or look; beliefs of one "
        f"trace hang together.\n\n"
        f"{table(('top chance', 'beliefs', 'mean said', 'right'), body)}\n\n"
        f"Expected calibration error: {calibration_error(calls):.4f}. Said with 0.99 or more, "
        f"right: {told}. Mean chance given to the true place: {_mean(calls, 0):.4f}."
    )


MOMENTS = ("first step", "first wire", "midway", "proof")


def _expected_section(rows: list[Row]) -> str:
    """How often the minutes it took stayed below what was said, by moment of the trace and size."""
    said = [row for row in rows if "expected" in row]
    if not said:
        return "No row tells what minutes were said."
    groups = [("all", said), *((f"{a} to {b} devices", _sized(said, a, b)) for a, b in SIZES)]
    body = []
    for moment in MOMENTS:
        for name, group in groups:
            told = [row["expected"][moment] for row in group if moment in row["expected"]]
            if told:
                body.append((moment, name, len(told), *_expected_line(told)))
    head = ("minutes said at", "cases", "n", "took at most P50", "at most P90", "mean P50", "P90")
    return table((*head, "mean taken"), body)


def _expected_line(told: list[list[float]]) -> Sequence[object]:
    n, cents = len(told), 0.01
    return (
        percent(sum(took <= p50 + cents for p50, _, took in told) / n, 1),
        percent(sum(took <= p90 + cents for _, p90, took in told) / n, 1),
        *(f"{_mean(told, column):.1f}" for column in range(3)),
    )


def _located_line(name: str, rows: list[Row]) -> Sequence[object]:
    n = len(rows)
    located = sum(bool(row.get("located")) for row in rows)
    wrong = sum(bool(row.get("wrong")) for row in rows)
    unproved = sum(row.get("outcome", "unproved") == "unproved" for row in rows)
    proved = sum(bool(row.get("proved")) for row in rows)
    return (
        name,
        n,
        percent(located / n),
        percent(at_least(located, n)),
        wrong,
        percent(at_most(wrong, n)),
        percent(unproved / n),
        percent(proved / n),
    )


def _outcomes(rows: list[Row]) -> list[str]:
    return [row.get("outcome", "error") for row in rows]


def _sized(rows: list[Row], least: int, most: int) -> list[Row]:
    return [row for row in rows if least <= row["n"] <= most]


def _mean(calls: list[list[float]], column: int) -> float:
    return sum(call[column] for call in calls) / len(calls)
