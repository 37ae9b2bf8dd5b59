"""Days and spans of days as people write them, one a line."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Iterator
from typing import Any

from django import forms

from core.clock import FIRST_DAY, LAST_DAY, is_ordinary

_LINE = re.compile(r"(\d{4}-\d{2}-\d{2})(?:\s+to\s+(\d{4}-\d{2}-\d{2}))?(?:\s*,\s*(.*))?")
_RIGHT = "2026-12-24 or 2026-12-24 to 2027-01-01"
_LONGEST_DAYS = 3660
_MOST_LINES = 400

Span = tuple[dt.date, dt.date, str]
"""First and last day, both included, and a note."""


class SpansField(forms.CharField):
    """Days and spans of days, one a line; the cleaned value is a list of ``Span``. With ``notes`` a
    line may say more after a comma."""

    def __init__(self, *, notes: bool = False, **options: Any) -> None:
        options.setdefault("widget", forms.Textarea({"rows": 6, "autocomplete": "off"}))
        super().__init__(required=False, max_length=20_000, **options)
        self._notes = notes

    def clean(self, value: Any) -> list[Span]:
        """The spans, in the order of the lines."""
        lines = [line.strip() for line in super().clean(value).splitlines()]
        if len(lines) > _MOST_LINES:
            right = f"at most {_MOST_LINES}"
            raise forms.ValidationError(f"there are {len(lines)} lines; right: {right}")
        spans = [self._span(number, line) for number, line in enumerate(lines, 1) if line]
        if sum((last - first).days for first, last, _ in spans) > 10 * _LONGEST_DAYS:
            raise forms.ValidationError("the spans cover more than a hundred years")
        return spans

    def _span(self, number: int, line: str) -> Span:
        found = _LINE.fullmatch(line) if line.isascii() or self._notes else None
        if found is None or (found[3] and not self._notes):
            raise forms.ValidationError(f"line {number}: “{line[:60]}” is no day; right: {_RIGHT}")
        try:
            first = dt.date.fromisoformat(found[1])
            last = dt.date.fromisoformat(found[2]) if found[2] else first
        except ValueError:
            wrong = f"line {number}: there is no such day in “{line[:60]}”"
            raise forms.ValidationError(wrong) from None
        if not (is_ordinary(first) and is_ordinary(last)):
            right = f"from {FIRST_DAY.year} to {LAST_DAY.year}"
            raise forms.ValidationError(f"line {number}: the year is out of range; right: {right}")
        if not first <= last <= first + dt.timedelta(days=_LONGEST_DAYS):
            right = "the later day last, within ten years"
            raise forms.ValidationError(f"line {number}: {first} to {last}; right: {right}")
        return first, last, (found[3] or "").strip()


def span_lines(spans: Iterable[Span]) -> str:
    """Spans as ``SpansField`` reads them."""
    return "\n".join(
        (f"{first}" if first == last else f"{first} to {last}") + (f", {note}" if note else "")
        for first, last, note in spans
    )


def spans_of_days(days: Iterable[dt.date]) -> Iterator[Span]:
    """Days as spans, days that follow each other as one."""
    first = last = None
    for day in sorted(set(days)):
        if first is not None and last is not None and day == last + dt.timedelta(days=1):
            last = day
            continue
        if first is not None and last is not None:
            yield first, last, ""
        first = last = day
    if first is not None and last is not None:
        yield first, last, ""


def days_of_spans(spans: Iterable[Span]) -> list[dt.date]:
    """Every day of some spans, each once, in order."""
    return sorted(
        {
            first + dt.timedelta(days=n)
            for first, last, _ in spans
            for n in range((last - first).days + 1)
        }
    )
