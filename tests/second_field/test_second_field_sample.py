"""A seeded sample of the second field: whole traces on a ground that shares no code with the
engine. The thousand of the benchmark bound the rates; this bounds the sample's own."""

from __future__ import annotations

from functools import cache

import pytest

from benchmarks.bench_second_field import Row, run_case

QUICK = (1, 3)
ALL = tuple(range(20))
LEAST_PROVED = 18
"""Of 20; the benchmark's bound is 95 of 100."""


@cache
def row_of(index: int) -> Row:
    return run_case(index)


@pytest.mark.parametrize("index", QUICK)
def test_nothing_is_proved_that_is_not_the_fault(index: int) -> None:
    row = row_of(index)
    assert not row["wrongly_proved"], row
    assert row["outcome"] in ("proved", "unproved"), row
    assert row["proved"] == (row["outcome"] == "proved"), row


def test_engine_and_field_take_each_others_word() -> None:
    """What the field refuses the engine should not have asked for, and the other way round."""
    for index in QUICK:
        row = row_of(index)
        assert row["refused_by_field"] == [], row
        assert row["refused_by_session"] == [], row


@pytest.mark.slow
def test_nine_of_ten_are_proved_and_none_wrongly() -> None:
    rows = [row_of(index) for index in ALL]
    assert not [row for row in rows if row["wrongly_proved"]]
    assert not [row for row in rows if row["outcome"] == "never-done"]
    proved = sum(row["proved"] for row in rows)
    assert proved >= LEAST_PROVED, [row for row in rows if not row["proved"]]
