"""CSV as RFC 4180 has it, and safe in a spreadsheet."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.csv_text import csv_text, safe_text


def test_lines_end_as_the_standard_says_and_quotes_are_doubled() -> None:
    text = csv_text(["a", "b"], [['say "no", twice\r\nor thrice', 1.5], [None, True]])
    assert text == 'a,b\r\n"say ""no"", twice\r\nor thrice",1.5\r\n,true\r\n'


@pytest.mark.parametrize(
    "text",
    [
        '=HYPERLINK("http://example.org","x")',
        "+1+1",
        "-2+3",
        "@SUM(A1)",
        "\t=1",
        "\r=1",
        "  =1",
        "＝1+1",
    ],
)
def test_no_text_is_taken_for_a_formula(text: str) -> None:
    assert safe_text(text) == f"'{text}"
    assert list(csv.reader(io.StringIO(csv_text(["a"], [[text]]), newline="")))[1] == [f"'{text}"]


def test_numbers_are_told_whole_and_never_altered() -> None:
    told = csv_text(["a"], [[-0.1], [1 / 3], [-7]])
    assert told == f"a\r\n-0.1\r\n{1 / 3!r}\r\n-7\r\n"


@given(st.lists(st.lists(st.text(st.characters(codec="utf-8")), min_size=2, max_size=2)))
def test_any_text_comes_back_as_it_was_but_for_the_apostrophe(rows: list[list[str]]) -> None:
    text = csv_text(["a", "b"], rows)
    read = list(csv.reader(io.StringIO(text, newline=""), strict=True))[1:]
    assert read == [[safe_text(value) for value in row] for row in rows]
    assert text.encode("utf-8").decode("utf-8") == text
