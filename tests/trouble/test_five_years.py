"""Five simulated years of looks: none lost, none twice, no week over its capacity."""

from __future__ import annotations

from collections import Counter

import pytest

from benchmarks.inspection_years import STRETCHES, five_years, is_open, load_svg, room


@pytest.mark.slow
@pytest.mark.parametrize("seed", [4, 5])
def test_five_years_lose_no_look_double_none_and_keep_the_capacity(seed: int) -> None:
    years = five_years(seed)
    ended = years.done.keys() | years.skipped.keys()
    assert len(years.done) > 900
    assert len(years.skipped) > 20
    assert years.twice == 0
    assert not years.done.keys() & years.skipped.keys()
    assert ended | years.left == years.due.keys()
    assert not ended & years.left
    assert len(years.left) == STRETCHES
    newest = Counter(stretch for stretch, _ in years.due)
    assert all((stretch, count) in years.left for stretch, count in newest.items())
    assert years.worst_planned <= 0
    assert years.in_closed_weeks == 0
    for week, count in Counter([*years.done.values(), *years.skipped.values()]).items():
        assert count <= room(week)
        assert is_open(0, week)
    assert load_svg(years).count("<rect") > 100
