"""From text to a document: limits, and what JSON does not allow."""

from __future__ import annotations

from pathlib import Path

import pytest

from sites.forms.defects import MOST_DEFECTS, FormDefects
from sites.forms.load import MOST_BYTES, MOST_LEVELS, load_document


def defects_of(source: str | bytes | Path) -> list[tuple[str, str]]:
    with pytest.raises(FormDefects) as caught:
        load_document(source)
    return [(defect.pointer, defect.what) for defect in caught.value.defects]


def test_text_bytes_and_files_are_read(tmp_path: Path) -> None:
    written = tmp_path / "one.json"
    written.write_bytes(b'\xef\xbb\xbf{"a": [1, 2.5, "\xc3\xa9"]}')
    wanted = {"a": [1, 2.5, "é"]}
    assert load_document(written) == wanted
    assert load_document(written.read_bytes()) == wanted
    assert load_document('{"a": [1, 2.5, "\\u00e9"]}') == wanted
    assert load_document('{"a": "\\ud83d\\ude00"}') == {"a": "😀"}


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999", "-1e999", "9" * 400])
def test_numbers_that_are_not_finite_are_refused_where_they_stand(number: str) -> None:
    ((pointer, what),) = defects_of(f'{{"a/b": [0, {{"c": {number}}}]}}')
    assert pointer == "/a~1b/1/c"
    assert "number" in what


def test_every_key_given_twice_is_named() -> None:
    found = defects_of('{"a": 1, "b": {"c": 1, "c": 2, "c": 3}, "a": {"d": 1, "d": 1}}')
    assert [pointer for pointer, _ in found] == ["/a", "/a/d", "/b/c"]


def test_endless_defects_of_the_text_are_cut_and_it_is_said() -> None:
    found = defects_of('{"a": [' + "NaN," * (2 * MOST_DEFECTS) + "0]}")
    assert len(found) == MOST_DEFECTS + 1
    assert found[0][0] == "/a/0"
    assert found[-1][1] == "there are more than 1,000 defects; the first 1,000 are told"


def test_half_a_character_is_refused() -> None:
    assert defects_of('{"a": "\\ud800"}')[0][0] == "/a"
    assert defects_of('{"a": "\ud800"}')[0][0] == ""


def test_nesting_has_a_limit() -> None:
    def nested(levels: int) -> str:
        return '{"a":' * levels + "1" + "}" * levels

    assert load_document(nested(MOST_LEVELS))
    assert "deep" in defects_of(nested(MOST_LEVELS + 1))[0][1]
    assert "deep" in defects_of('{"a":' + "[" * 200_000)[0][1]


def test_more_than_the_largest_size_is_refused(tmp_path: Path) -> None:
    large = tmp_path / "large.json"
    large.write_bytes(b'{"a": 1}' + b" " * MOST_BYTES)
    assert "20 MB" in defects_of(large)[0][1]
    assert "20 MB" in defects_of(large.read_bytes())[0][1]
    fits = b'{"a": 1}'
    assert load_document(fits + b" " * (MOST_BYTES - len(fits))) == {"a": 1}


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("", "line 1, column 1"),
        ('{"a": 1,\n "b" 2}', "line 2, column 6"),
        (b'{"a": "\xff"}', "not UTF-8"),
        ("[1, 2]", "a list"),
        ("3", "3"),
    ],
)
def test_what_is_no_json_object_is_refused(source: str | bytes, words: str) -> None:
    ((pointer, what),) = defects_of(source)
    assert pointer == ""
    assert words in what


def test_a_file_that_is_not_there_is_a_defect(tmp_path: Path) -> None:
    assert "cannot be read" in defects_of(tmp_path / "missing.json")[0][1]
    assert "cannot be read" in defects_of(tmp_path)[0][1]
