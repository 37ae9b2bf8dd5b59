"""Rows as CSV (RFC 4180): UTF-8, lines ended by CR LF, safe to open in a spreadsheet.

A text that a spreadsheet would take for a formula is told with an apostrophe before it (OWASP,
CSV injection). Numbers are told with all their digits and are never altered.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

Value = str | int | float | bool | None

MEDIA_TYPE = "text/csv; charset=utf-8; header=present"

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")  # also in full width


def csv_text(header: Sequence[str], rows: Iterable[Sequence[Value]]) -> str:
    """A header and rows. None is an empty field, true and false are told as words."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([safe_text(name) for name in header])
    for row in rows:
        writer.writerow([_told(value) for value in row])
    return out.getvalue()


def safe_text(text: str) -> str:
    """A text that no spreadsheet takes for a formula."""
    return f"'{text}" if text.lstrip(" ").startswith(_FORMULA) else text


def _told(value: Value) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return safe_text(value) if isinstance(value, str) else repr(value)
