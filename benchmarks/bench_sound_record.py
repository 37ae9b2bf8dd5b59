"""Heavy paths traced without a sound record, with one, and with one that is 30 % off."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import numpy as np

from benchmarks.limits import at_most, mean_of
from benchmarks.report import percent, table
from benchmarks.runner import Row
from faults.rehearsal.cases import make_case
from faults.rehearsal.field import Field
from faults.rehearsal.play import blind_problem, judged
from faults.rehearsal.records import Recording, recorded
from faults.rehearsal.rehearsal import Rehearsal
from faults.tracing.posterior import Posterior
from faults.tracing.session import begin

FIRST_READINGS = 3
OFF_BY = 0.30
_KNOWN = ("record", "too high", "too low")
_ENDS = ("search", "minutes", "wrong", "located", "proved", "ms_max")


def recording_of(index: int) -> Recording:
    """How the record of a case was taken: a month to three years ago, coil in and far voltage
    read every other time."""
    rng = np.random.default_rng([211, index])
    return Recording(
        days=int(rng.integers(30, 1100)), coil=bool(index % 2), far_v=bool(index // 2 % 2)
    )


def row_of(key: str) -> Row:
    """One heavy case, four times: paired by ground, fault, meter and seed."""
    index = int(key)
    case = make_case("heavy", index)
    taken = recording_of(index)
    high, low = replace(taken, off_by=1.0 + OFF_BY), replace(taken, off_by=1.0 - OFF_BY)
    row: Row = {
        "shape": case.shape,
        "n": case.devices,
        "share": case.sound_share,
        "coil_known": case.rehearsal.coil_known,
        "days": taken.days,
        "coil": taken.coil,
        "plain": traced(case.rehearsal),
    }
    for name, recording in zip(_KNOWN, (taken, high, low), strict=True):
        row[name] = traced(recorded(case.rehearsal, recording))
    return row


def traced(rehearsal: Rehearsal) -> dict[str, Any]:
    """A whole trace: its ending, and what the first readings left open, in nats."""
    field, session = Field(rehearsal), begin(blind_problem(rehearsal))
    open_nats: list[float] = []
    times_ms: list[float] = []
    while session.done is None:
        observation = field.answer(session.step)
        started = time.perf_counter()
        session = session.observe(observation)
        if session.done is None:
            _ = session.step
        times_ms.append(1000.0 * (time.perf_counter() - started))
        if observation.do in ("reference", "clamp") and len(open_nats) <= FIRST_READINGS:
            open_nats.append(round(open_chance(session.posterior), 3))
    verdict = session.done
    told = judged(rehearsal, (), verdict, (0.0,))
    values = (
        verdict.search_minutes,
        round(verdict.minutes, 2),
        told.wrongly_proved,
        told.located,
        told.proved,
        round(max(times_ms), 1),
    )
    return {**dict(zip(_ENDS, values, strict=True)), "open": open_nats}


def open_chance(posterior: Posterior) -> float:
    """Entropy of the chances of places, in nats."""
    chance = posterior.chance[posterior.chance > 0.0]
    return float(-(chance @ np.log(chance)))


def sound_record_section(rows: list[Row]) -> str:
    """Minutes saved, paired; endings; what the first readings leave open."""
    whole = [row for row in rows if "error" not in row]
    body = [_line(name, whole, len(rows)) for name in ("plain", *_KNOWN)]
    head = ("known before", "n", "located", "proved", "wrong", "at most", "search min", "all min")
    saved = [_saved_line(name, whole) for name in _KNOWN]
    saved_head = ("known before", "pairs", "search minutes saved", "95 %", "all saved", "95 %")
    open_body = [
        (name, *(f"{_open(whole, name, k):.2f}" for k in range(FIRST_READINGS + 1)))
        for name in ("plain", *_KNOWN)
    ]
    open_head = ("known before", "reference", *(f"clamp {k + 1}" for k in range(FIRST_READINGS)))
    return (
        f"{table(head, body)}\n\nPaired, the same ground, fault and meter with and without the "
        f"record; below 0 the record cost minutes:\n\n{table(saved_head, saved)}\n\n"
        "What the chances of places leave open after the first readings, in nats (mean):\n\n"
        f"{table(open_head, open_body)}\n\n"
        "Records are 30 to 1,100 days old, by a meter with a gain of its own, and all draws went "
        "5 % in a year since; *too high* and *too low* are the same with every current 30 % off."
    )


def _line(name: str, whole: list[Row], count: int) -> tuple[object, ...]:
    ends = [row[name] for row in whole]
    wrong = sum(end["wrong"] for end in ends)
    searches = [end["search"] for end in ends if end["search"] is not None]
    return (
        name,
        count,
        percent(sum(end["located"] for end in ends) / count),
        percent(sum(end["proved"] for end in ends) / count),
        wrong,
        percent(at_most(wrong, count)),
        f"{mean_of(searches).mean:.2f}",
        f"{mean_of([end['minutes'] for end in ends]).mean:.2f}",
    )


def _saved_line(name: str, whole: list[Row]) -> tuple[object, ...]:
    pairs = [(row["plain"], row[name]) for row in whole]
    search = mean_of(
        [a["search"] - b["search"] for a, b in pairs if None not in (a["search"], b["search"])]
    )
    every = mean_of([a["minutes"] - b["minutes"] for a, b in pairs])
    return (
        name,
        search.count,
        f"{search.mean:.2f}",
        f"{search.low:.2f} to {search.high:.2f}",
        f"{every.mean:.2f}",
        f"{every.low:.2f} to {every.high:.2f}",
    )


def _open(whole: list[Row], name: str, k: int) -> float:
    values = [row[name]["open"][k] for row in whole if len(row[name]["open"]) > k]
    return sum(values) / max(1, len(values))
