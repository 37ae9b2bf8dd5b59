"""Numbers as people type them into pages."""

from __future__ import annotations

import pytest

from core.pages.numbers import NotANumberError, number_read


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("146", 146.0),
        (" 12.5 ", 12.5),
        ("12,5", 12.5),
        ("0,125", 0.125),
        ("1234,567", 1234.567),
        ("1,2345", 1.2345),
        ("1.200", 1.2),
    ],
)
def test_a_comma_stands_for_the_point(text: str, number: float) -> None:
    assert number_read(text) == number


@pytest.mark.parametrize(
    ("text", "right"),
    [
        ("1,200", "1200, or 1.200"),
        ("999,999", "999999, or 999.999"),
        ("1,234.5", "no sign between thousands"),
        ("1.234.567", "no sign between thousands"),
        ("1 234", "digits with at most one point or comma"),
        ("-3", "without a sign"),
        ("5,", "digits with at most one point or comma"),
        ("1e3", "digits with at most one point or comma"),
        ("", "digits with at most one point or comma"),
        ("1234567890", "digits with at most one point or comma"),
    ],
)
def test_what_could_be_read_in_two_ways_or_none_is_refused(text: str, right: str) -> None:
    with pytest.raises(NotANumberError) as refused:
        number_read(text)
    assert right in refused.value.right


def test_a_number_may_be_below_zero_where_that_makes_sense() -> None:
    assert number_read("-3,70379", signed=True) == -3.70379
