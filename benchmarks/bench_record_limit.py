"""What a sound record could be worth at most: heavy paths traced by an engine that is told more
and more of the truth that a record could carry."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from benchmarks.bench_sound_record import open_chance, recording_of
from benchmarks.limits import at_most, mean_of
from benchmarks.report import percent, table
from benchmarks.runner import Benchmark, Row
from faults.rehearsal.cases import make_case
from faults.rehearsal.field import Field
from faults.rehearsal.layouts import drawing
from faults.rehearsal.play import blind_problem, judged
from faults.rehearsal.records import recorded
from faults.rehearsal.rehearsal import Rehearsal
from faults.tracing.assumptions import Assumptions
from faults.tracing.posterior import Posterior
from faults.tracing.session import begin

CASES = 90
FIRST_CLAMPS = 3
SURE_OF_A_LEG = 0.9
NOTHING = "nothing"

_TOLD = "told"
_EXACT_SCALE = Assumptions(draw_log_spread=0.03)
_EXACT_DRAWS = replace(_EXACT_SCALE, draw_spread=0.02, off_share=0.001)
_SAME_METER = replace(_EXACT_DRAWS, scale_spread=0.001, drift_per_hour=0.001)


@dataclass(frozen=True, slots=True)
class Knowing:
    """A rehearsal with what is known before it, and what the engine then believes."""

    told: str
    rehearsal: Rehearsal
    beliefs: Assumptions


def knowings(index: int) -> Iterator[Knowing]:
    """One case, each time with more of the truth on the map; ground, fault and seed stay."""
    plain = make_case("heavy", index).rehearsal
    yield Knowing(NOTHING, plain, Assumptions())
    yield Knowing("the record", recorded(plain, recording_of(index)), Assumptions())
    mapped = [device.draw_ma for device in plain.survey.devices]
    drawn = [device.draw_ma for device in plain.ground.devices]
    together = sum(drawn) / sum(mapped)
    scaled = replace(plain, survey=drawing(plain.survey, [ma * together for ma in mapped]))
    yield Knowing("the common scale", scaled, _EXACT_SCALE)
    each = replace(plain, survey=drawing(plain.survey, drawn), coil_known=True)
    yield Knowing("each draw, the coil", each, _EXACT_DRAWS)
    same = replace(each, meter=replace(plain.meter, percent=0.0))
    yield Knowing("these, the gain", same, _SAME_METER)
    ohm = plain.faults[0].resistance_ohm
    narrow = replace(_SAME_METER, resistance_low_ohm=0.97 * ohm, resistance_high_ohm=1.03 * ohm)
    yield Knowing("these, the fault's ohms", same, narrow)


def row_of(key: str) -> Row:
    """One heavy case, once for each knowing."""
    index = int(key)
    case = make_case("heavy", index)
    row: Row = {"shape": case.shape, "share": case.sound_share, "legs": _legs(case.rehearsal)}
    row[_TOLD] = {one.told: traced(one) for one in knowings(index)}
    return row


def traced(knowing: Knowing) -> dict[str, Any]:
    """A whole trace: its ending, the bits that its first readings left open, and the chance of
    the fault's own leg after each of them."""
    rehearsal = knowing.rehearsal
    field = Field(rehearsal)
    session = begin(blind_problem(rehearsal), beliefs=knowing.beliefs)
    bits, of_leg = [_bits(session.posterior)], [_chance_of_leg(session.posterior, rehearsal)]
    while session.done is None:
        observation = field.answer(session.step)
        before = session.posterior
        session = session.observe(observation)
        if observation.do in ("reference", "clamp") and len(bits) <= FIRST_CLAMPS + 1:
            if observation.do == "reference" and len(bits) == 1:
                bits[0], of_leg[0] = _bits(before), _chance_of_leg(before, rehearsal)
            bits.append(_bits(session.posterior))
            of_leg.append(_chance_of_leg(session.posterior, rehearsal))
    verdict = session.done
    told = judged(rehearsal, (), verdict, (0.0,))
    return {
        "search": verdict.search_minutes,
        "minutes": round(verdict.minutes, 2),
        "wrong": told.wrongly_proved,
        "proved": told.proved,
        "bits": bits,
        "of_leg": of_leg,
    }


def _bits(posterior: Posterior) -> float:
    return round(open_chance(posterior) / math.log(2.0), 3)


def _chance_of_leg(posterior: Posterior, rehearsal: Rehearsal) -> float:
    """The chance, of all places, of those behind the fault's own leg."""
    view, hypotheses = posterior.view, posterior.hypotheses
    truth = hypotheses.point[hypotheses.index[rehearsal.faults[0].at]]
    root = rehearsal.survey.controller.id
    for leg in view.downstream_segments[root]:
        first = view.edge_of_wire[(root, leg)]
        last = int(view.last[first])
        if first <= truth < last:
            behind = (hypotheses.point >= first) & (hypotheses.point < last)
            total = float(posterior.chance.sum())
            return round(float(posterior.chance[behind].sum()) / total, 4) if total else 0.0
    raise ValueError("the fault lies behind no leg")


def _legs(rehearsal: Rehearsal) -> int:
    root = rehearsal.survey.controller.id
    return sum(root in (one.from_node, one.to_node) for one in rehearsal.survey.segments)


def section(rows: list[Row]) -> str:
    """Bits of the first readings, and minutes saved against knowing nothing."""
    whole = [row for row in rows if "error" not in row]
    names = list(whole[0][_TOLD]) if whole else []
    bits_head = ("known before", "gained by the reference", *_clamp_heads(), "1 bit or more")
    bits_body = [(name, *_bits_line([row[_TOLD][name] for row in whole])) for name in names]
    several = [row for row in whole if row["legs"] > 1]
    leg_head = ("known before", "before any", "reference", *_clamp_heads())
    leg_body = [(name, *_leg_line([row[_TOLD][name] for row in several])) for name in names]
    saved_head = ("known before", "pairs", "search minutes saved", "95 %", "all saved", "95 %")
    saved_head += ("proved", "wrong", "at most")
    return (
        "The same heavy cases as with a sound record, told more and more of what no trace knows: "
        "the true sum of all draws to 3 % (the most that the record tells as it is reckoned "
        "with), each device's own draw to 2 % and the coil, a meter without gain and a source "
        "without spread (a record by the same meter shares its gain), and the ohms of the fault "
        "to 3 % as well, which no record carries. What lies between the rows is the most that "
        "a better use of records could save with this planner.\n\n"
        "Bits of the chances of places, mean:\n\n"
        f"{table(bits_head, bits_body)}\n\n"
        f"Share of the {len(several)} cases with two legs or more in which the fault's leg then "
        f"has {SURE_OF_A_LEG:g} or more of the chance of all places:\n\n"
        f"{table(leg_head, leg_body)}\n\n"
        "Paired with knowing nothing; below 0 the knowledge cost minutes:\n\n"
        f"{table(saved_head, [_saved_line(name, whole) for name in names])}"
    )


def _clamp_heads() -> tuple[str, ...]:
    return tuple(f"clamp {k + 1}" for k in range(FIRST_CLAMPS))


def _bits_line(ends: list[dict[str, Any]]) -> Iterator[str]:
    gained = [[a - b for a, b in zip(end["bits"], end["bits"][1:], strict=False)] for end in ends]
    for k in range(FIRST_CLAMPS + 1):
        yield f"{np.mean([one[k] for one in gained if len(one) > k]):.2f}"
    yield percent(sum(one[0] >= 1.0 for one in gained) / len(gained), 1)


def _leg_line(ends: list[dict[str, Any]]) -> Iterator[str]:
    """A trace that had ended by then counts with the last it had."""
    for k in range(FIRST_CLAMPS + 2):
        sure = [end["of_leg"][min(k, len(end["of_leg"]) - 1)] >= SURE_OF_A_LEG for end in ends]
        yield percent(sum(sure) / len(sure), 1) if sure else "-"


def _saved_line(name: str, whole: list[Row]) -> tuple[object, ...]:
    pairs = [(row[_TOLD][NOTHING], row[_TOLD][name]) for row in whole]
    found = [(a["search"], b["search"]) for a, b in pairs]
    search = mean_of([a - b for a, b in found if a is not None and b is not None])
    every = mean_of([a["minutes"] - b["minutes"] for a, b in pairs])
    wrong = sum(b["wrong"] for _, b in pairs)
    return (
        name,
        search.count,
        f"{search.mean:.2f}",
        f"{search.low:.2f} to {search.high:.2f}",
        f"{every.mean:.2f}",
        f"{every.low:.2f} to {every.high:.2f}",
        percent(sum(b["proved"] for _, b in pairs) / len(pairs)),
        wrong,
        percent(at_most(wrong, len(pairs))),
    )


def _keys() -> list[str]:
    return [f"{index:05d}" for index in range(CASES)]


def record_limit_benchmark() -> Benchmark:
    """As the catalogue lists it."""
    return Benchmark(
        "sound-record-limit",
        "What a sound record could be worth at most",
        _keys,
        row_of,
        section,
    )
