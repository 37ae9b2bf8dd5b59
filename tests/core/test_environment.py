from __future__ import annotations

from pathlib import Path

import pytest
from django.core.exceptions import ImproperlyConfigured

from core import environment


@pytest.mark.parametrize(
    ("found", "meant"), [("1", True), (" Yes ", True), ("on", True), ("0", False), ("", False)]
)
def test_a_flag_is_read(monkeypatch: pytest.MonkeyPatch, found: str, *, meant: bool) -> None:
    monkeypatch.setenv("CLAMPLINE_TRIAL", found)
    assert environment.flag("CLAMPLINE_TRIAL", default=not meant) is meant


def test_a_flag_that_is_neither_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CLAMPLINE_TRIAL", "maybe")
    with pytest.raises(ImproperlyConfigured, match="CLAMPLINE_TRIAL is 'maybe'"):
        environment.flag("CLAMPLINE_TRIAL", default=False)


@pytest.mark.parametrize("default", [True, False])
def test_an_absent_flag_is_its_default(monkeypatch: pytest.MonkeyPatch, *, default: bool) -> None:
    monkeypatch.delenv("CLAMPLINE_TRIAL", raising=False)
    assert environment.flag("CLAMPLINE_TRIAL", default=default) is default


def test_names_are_parted_by_commas(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CLAMPLINE_TRIAL", "one, two,,three ")
    assert environment.names("CLAMPLINE_TRIAL", default=()) == ["one", "two", "three"]


def test_a_secret_is_read_from_its_file(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "key").write_text("kept apart\n", encoding="utf-8")
    monkeypatch.delenv("CLAMPLINE_TRIAL", raising=False)
    monkeypatch.setenv("CLAMPLINE_TRIAL_FILE", str(tmp_path / "key"))
    assert environment.secret("CLAMPLINE_TRIAL", default="x") == "kept apart"


@pytest.mark.parametrize(("content", "problem"), [(None, "cannot be read"), ("\n", "is empty")])
def test_a_secret_file_that_holds_nothing_is_refused(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, content: str | None, problem: str
) -> None:
    if content is not None:
        (tmp_path / "key").write_text(content, encoding="utf-8")
    monkeypatch.delenv("CLAMPLINE_TRIAL", raising=False)
    monkeypatch.setenv("CLAMPLINE_TRIAL_FILE", str(tmp_path / "key"))
    with pytest.raises(ImproperlyConfigured, match=problem):
        environment.secret("CLAMPLINE_TRIAL", default="x")


def test_a_secret_given_twice_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CLAMPLINE_TRIAL", "one")
    monkeypatch.setenv("CLAMPLINE_TRIAL_FILE", "two")
    with pytest.raises(ImproperlyConfigured, match="keep one"):
        environment.secret("CLAMPLINE_TRIAL", default="x")
