"""Trouble among many paths, the life of a flag, and looks spread over weeks."""

from __future__ import annotations

import dataclasses
from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from faults.recurrence.checked import RecurrenceError
from faults.recurrence.flag_life import Life, LifeRules, next_life
from faults.recurrence.flags import peer_p_values
from faults.recurrence.levelling import Look, WeekRules, levelled_weeks
from faults.recurrence.trouble import (
    PathCells,
    Stretch,
    TroubleParams,
    Units,
    judge_units,
    path_totals,
    scan_paths,
)
from tests.trouble.figures_anew import chances

PATHS, CELLS = 12, 41
PARAMS = TroubleParams(draws=399)


def world(seed: int, bad: dict[int, range], spread: float = 0.0, paths: int = PATHS) -> Units:
    """Straight paths of splices and cables in turn; a bad stretch fails six times more. ``spread``:
    of the cells' own rates."""
    rng = np.random.default_rng(seed)
    kind = np.tile(np.arange(CELLS) % 2, paths)
    energised = np.zeros((paths * CELLS, 3))
    energised[:, 0] = 1000.0 * np.where(kind == 1, 20.0, 1.0)
    counts = np.zeros((paths * CELLS, 3), dtype=np.int64)
    rate = 3e-5 / np.where(kind == 1, 20.0, 1.0)
    own = rng.gamma(1.0 / spread, spread, len(rate)) if spread else 1.0
    counts[:, 0] = rng.poisson(own * rate * energised[:, 0])
    for path, cells in bad.items():
        for cell in rng.choice(list(cells), 6):
            counts[path * CELLS + int(cell), 0] += 1
    return Units(kind, np.repeat(np.arange(paths), CELLS), counts, energised)


def stretches(units: Units) -> dict[int, Stretch]:
    """The stretches that stand out, by path."""
    judged = judge_units(units, PARAMS)
    totals = path_totals(units, judged, len(units.path) // CELLS)
    links = tuple((n, n + 1) for n in range(CELLS - 1))
    cells = [
        PathCells(int(path), path * CELLS + np.arange(CELLS), links) for path in totals.to_scan
    ]
    found = scan_paths(units, judged, cells, PARAMS)
    return {one.number: s for one, s in zip(cells, found, strict=True) if s.adjusted <= PARAMS.q}


def test_planted_stretches_are_found_where_they_are_and_nowhere_else() -> None:
    bad = {2: range(10, 19), 7: range(20, 29), 9: range(4, 13)}
    found = stretches(world(1, bad))
    assert set(found) == set(bad)
    for path, stretch in found.items():
        cells = {unit - path * CELLS for unit in stretch.units}
        # A scattered failure nearby may draw the stretch out to itself.
        assert len(cells & set(bad[path])) >= len(cells) // 2


@pytest.mark.slow
def test_among_thousands_of_paths_a_few_bad_stretches_stand_out() -> None:
    bad = {100: range(10, 14), 900: range(30, 34), 2100: range(20, 24)}
    found = stretches(world(4, bad, paths=3000))
    assert set(bad) <= set(found)
    assert len(found) <= 4
    # 999 draws could not have told either among all that are scanned.
    assert all(found[path].scanned.p_value < 1 / 1000 for path in bad)


@pytest.mark.slow
def test_among_thousands_of_paths_by_chance_alone_none_stands_out() -> None:
    flagged = sum(bool(stretches(world(seed, {}, paths=1500))) for seed in range(200, 210))
    # A share of 0.05 of 10 worlds is a half; more than 3 has a chance below 1 in 900.
    assert flagged <= 3


def test_more_worlds_are_drawn_where_one_stretch_could_not_stand_out() -> None:
    params = TroubleParams(q=0.05, draws=999)
    assert params.among(20).draws == 999
    for scanned in (100, 1000):
        assert 1 / (params.among(scanned).draws + 1) <= params.q / scanned / 2


@pytest.mark.slow
@pytest.mark.parametrize("spread", [0.0, 2.0])
def test_where_nothing_is_bad_few_worlds_have_a_flag(spread: float) -> None:
    flagged = sum(bool(stretches(world(seed, {}, spread))) for seed in range(100, 140))
    # A share of 0.05 of 40 worlds is 2; more than 6 has a chance below 1 in 100.
    assert flagged <= 6


def test_failures_in_a_state_that_never_was_count_where_the_unit_was() -> None:
    units = world(3, {})
    units.counts[:, :] = 0
    units.counts[0, 2] = 1
    units.energised[1] = 0.0
    units.counts[1, 0] = 1
    judged = judge_units(units, PARAMS)
    assert (int(judged.counts.sum()), judged.left_out) == (1, 1)
    with pytest.raises(RecurrenceError, match="nothing was ever energised"):
        judge_units(dataclasses.replace(units, energised=np.zeros_like(units.energised)), PARAMS)


RULES = LifeRules()


def test_a_flag_is_raised_kept_and_clears_after_quiet_days() -> None:
    life = next_life(None, 0.04, 90.0, 100.0, RULES)
    assert life == Life("raised")
    assert next_life(None, 0.06, 90.0, 100.0, RULES) is None
    assert next_life(life, 0.19, 90.0, 101.0, RULES) == Life("raised")
    quiet = next_life(life, 0.3, 90.0, 102.0, RULES)
    assert quiet == Life("raised", 102.0)
    assert next_life(quiet, None, 90.0, 115.9, RULES) == quiet
    assert next_life(quiet, 0.15, 90.0, 110.0, RULES) == Life("raised")
    cleared = next_life(quiet, None, 90.0, 116.0, RULES)
    assert cleared == Life("cleared", cleared_on=116.0)
    assert next_life(cleared, 0.01, 90.0, 117.0, RULES) == cleared
    assert next_life(cleared, 0.01, 116.5, 117.0, RULES) == Life("raised")
    assert next_life(Life("watched"), 0.1, 0.0, 1.0, RULES) == Life("watched")
    with pytest.raises(RecurrenceError, match="raise_at"):
        LifeRules(raise_at=0.3, keep_at=0.2)


@given(st.lists(st.floats(0.0, 1.0), max_size=60))
def test_a_flag_does_not_flap(levels: list[float]) -> None:
    """Without a new failure it is raised once at most; a day looked at twice changes nothing."""
    life, raised = None, 0
    for day, level in enumerate(levels):
        after = next_life(life, level, -1.0, float(day), RULES)
        assert next_life(after, level, -1.0, float(day), RULES) == after
        raised += (life is None or life.state == "cleared") and bool(
            after and after.state == "raised"
        )
        life = after
    assert raised <= 1


looks = st.lists(
    st.builds(Look, st.integers(0, 5), st.integers(0, 40), st.none() | st.integers(0, 60)),
    max_size=40,
)


@given(looks, st.integers(1, 4), st.integers(0, 20))
def test_every_look_has_one_open_week_with_room(
    asked: list[Look], capacity: int, first: int
) -> None:
    def room(week: int) -> int:
        return 0 if week % 9 == 0 else capacity

    rules = WeekRules(first, room, lambda place, week: (week + place) % 4 != 0)
    weeks = levelled_weeks(asked, rules)
    assert len(weeks) == len(asked)
    assert all(count <= room(week) for week, count in Counter(weeks).items())
    for look, week in zip(asked, weeks, strict=True):
        assert week is not None
        assert week >= first
        assert (week + look.property) % 4 != 0
        assert week >= look.due_week - rules.together_weeks or week == look.planned
    again = [
        dataclasses.replace(look, planned=week) for look, week in zip(asked, weeks, strict=True)
    ]
    assert levelled_weeks(again, rules) == weeks


def test_looks_of_a_property_go_together_and_stay_unplanned_without_room() -> None:
    asked = [Look(1, 5), Look(2, 5), Look(1, 7), Look(1, 30)]
    weeks = levelled_weeks(asked, WeekRules(0, lambda _: 2, lambda *_: True))
    assert weeks == (5, 6, 5, 30)
    assert levelled_weeks(asked, WeekRules(0, lambda _: 0, lambda *_: True)) == (None,) * 4
    # Room for one within ten years alone: the one that is due first has it.
    weeks = levelled_weeks(asked, WeekRules(0, lambda week: int(week == 9), lambda *_: True))
    assert weeks == (9, None, None, None)


@pytest.mark.slow
@pytest.mark.parametrize(("units", "most"), [(12, 17), (30, 20), (76, 15), (100, 20), (200, 25)])
def test_a_unit_far_out_among_few_peers_has_the_p_value_of_a_fine_grid(
    units: int, most: int
) -> None:
    """By the grid of the recomputed flags, which shares no code with what it checks; the grid
    itself is good to 2 in 1,000 among a dozen units."""
    rng = np.random.default_rng(units)
    exposure = rng.uniform(0.5, 2.5, units)
    counts = rng.poisson(0.8 * exposure)
    counts[0] = most
    found, _ = peer_p_values(counts.astype(np.int64), exposure)
    right, _ = chances(counts, exposure, np.ones(units, dtype=np.bool_))
    assert found == pytest.approx(right, rel=3e-3)
