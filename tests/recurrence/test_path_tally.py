"""Tallies of a path: what is cut and joined on its map changes no total."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from faults.recurrence.exposure import Spans, State
from faults.recurrence.path_tally import CameFrom, FailedAt, MapVersion, Tallied, tally_path
from faults.recurrence.state_clock import StateClock

SEGMENT = 1
NOTHING = Spans.of([])
REVISIONS = np.arange(12.0) * 10.0
CLOCK = StateClock.of(
    Spans.of([(0.0, 35.0), (50.0, 200.0)]), Spans.of([(5.0, 20.0)]), Spans.of([(60.0, 62.0)])
)


def test_a_clock_tells_the_states_apart_and_stands_while_off() -> None:
    assert CLOCK.at([-1.0, 10.0, 40.0, 50.0, 61.0, 300.0]).tolist() == [
        [0.0, 0.0, 0.0],
        [5.0, 5.0, 0.0],
        [20.0, 15.0, 0.0],
        [20.0, 15.0, 0.0],
        [30.0, 15.0, 1.0],
        [20.0 + 148.0, 15.0, 2.0],
    ]


def test_a_cut_cable_whose_failure_lay_somewhere_stays_one_unit() -> None:
    rows = [
        MapVersion(SEGMENT, "S1", 1, 40.0, 1, 2),
        MapVersion(SEGMENT, "S1a", 2, 10.0, 2, None),
        MapVersion(SEGMENT, "S1b", 3, 30.0, 2, None),
    ]
    came = [CameFrom(2, SEGMENT, "S1", "S1a"), CameFrom(2, SEGMENT, "S1", "S1b")]
    whole = StateClock.of(Spans.of([(0.0, 200.0)]), NOTHING, NOTHING)
    failed = [FailedAt(SEGMENT, "S1", 4.0, State.DRY)]
    one = tally_path(rows, came, REVISIONS, failed, whole)
    assert one.codes == (("S1a", "S1b"),)
    assert one.tally.exposure(whole.at([30.0])[0])[:, 0].tolist() == [40.0 * 30.0]
    two = tally_path(rows, came, REVISIONS, [], whole)
    assert two.codes == (("S1a",), ("S1b",))
    assert two.tally.exposure(whole.at([30.0])[0])[:, 0].tolist() == [300.0, 900.0]


Cable = tuple[str, float]


@st.composite
def histories(draw: st.DrawFn) -> tuple[list[MapVersion], list[CameFrom]]:
    """Three cables that are cut and joined, revision after revision; some keep their codes."""
    live: dict[str, tuple[float, int]] = {f"S{n}": (20.0 * n, 1) for n in (1, 2, 3)}
    rows: list[MapVersion] = []
    came: list[CameFrom] = []

    def end(code: str, revision: int) -> float:
        length, first = live.pop(code)
        rows.append(MapVersion(SEGMENT, code, len(rows), length, first, revision))
        return length

    for revision in range(2, 2 + draw(st.integers(0, 9))):
        codes = sorted(live)
        if draw(st.booleans()) or len(codes) == 1:
            old = draw(st.sampled_from(codes))
            share = draw(st.sampled_from([0.25, 0.5, 0.75]))
            length = end(old, revision)
            first = old if draw(st.booleans()) else f"A{revision}"
            for code, part in ((first, share), (f"B{revision}", 1.0 - share)):
                live[code] = (length * part, revision)
                if code != old:
                    came.append(CameFrom(revision, SEGMENT, old, code))
        else:
            joined = draw(st.permutations(codes))[:2]
            length = sum(end(code, revision) for code in joined)
            live[f"C{revision}"] = (length, revision)
            came += [CameFrom(revision, SEGMENT, code, f"C{revision}") for code in joined]
    for code in sorted(live):
        length, first = live[code]
        rows.append(MapVersion(SEGMENT, code, len(rows), length, first, None))
    return rows, came


@given(histories(), st.data())
def test_cuts_and_joins_change_no_total(
    history: tuple[list[MapVersion], list[CameFrom]], data: st.DataObject
) -> None:
    rows, came = history
    failed = []
    for at in data.draw(st.lists(st.floats(0.5, 180.0), max_size=6)):
        number = int(np.searchsorted(REVISIONS, at, side="right"))
        there = [one for one in rows if one.first <= number and (one.last or 99) > number]
        code = data.draw(st.sampled_from([one.code for one in there]))
        failed.append(FailedAt(SEGMENT, code, at, data.draw(st.sampled_from(list(State)))))
    found = tally_path(rows, came, REVISIONS, failed, CLOCK)
    uncut = [MapVersion(SEGMENT, f"S{n}", n, 20.0 * n, 1, None) for n in (1, 2, 3)]
    before = tally_path(uncut, [], REVISIONS, [], CLOCK)
    for now in (150.0, 400.0):
        reading = CLOCK.at([now])[0]
        assert np.allclose(
            found.tally.exposure(reading).sum(axis=0), before.tally.exposure(reading).sum(axis=0)
        )
    assert found.tally.lost == 0
    assert int(found.tally.counts.sum()) == len(failed)
    by_state = np.bincount([int(one.state) for one in failed], minlength=3)
    assert found.tally.counts.sum(axis=0).tolist() == by_state.tolist()
    assert np.isclose(found.tally.live.sum(), 120.0)
    check_every_place_once(found)


def check_every_place_once(found: Tallied) -> None:
    codes = [code for group in found.codes for code in group]
    assert len(codes) == len(set(codes))
