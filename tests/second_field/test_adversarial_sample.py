"""A seeded sample of what works against a proof: never a wrong one."""

from __future__ import annotations

from functools import cache

import pytest

from benchmarks.bench_second_field import SUITES, Row, run_adversarial_case

QUICK = ("wrong-wire-while-proving", "cut-instead-of-isolated")
MORE = range(6)


@cache
def row_of(suite: str, index: int) -> Row:
    return run_adversarial_case(suite, index)


def checked(row: Row) -> None:
    assert not row["wrongly_proved"], row
    assert row["outcome"] in ("proved", "unproved"), row
    if row["outcome"] == "unproved":
        assert row["reason"], row


@pytest.mark.parametrize("suite", QUICK)
def test_the_first_of_a_suite_is_not_wrongly_proved(suite: str) -> None:
    checked(row_of(suite, 0))


@pytest.mark.slow
@pytest.mark.parametrize("suite", SUITES)
def test_a_few_more_of_each_suite_are_not_wrongly_proved(suite: str) -> None:
    for index in MORE:
        checked(row_of(suite, index))


@pytest.mark.slow
def test_what_hangs_unmapped_at_a_splice_is_never_laid_to_the_splice() -> None:
    for index in MORE:
        row = row_of("unmapped-at-splice", index)
        proved = [found["at"] for found in row.get("found", []) if found.get("proved")]
        assert not any("splice" in at for at in proved), row


def test_the_suites_are_those_that_were_asked_for() -> None:
    assert set(SUITES) == {
        "near-trip",
        "comes-and-goes",
        "unmapped-at-splice",
        "wrong-wire-while-proving",
        "cut-instead-of-isolated",
    }
