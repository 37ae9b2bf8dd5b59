"""Weekly hours as people write them, a line for days that are alike: ``mon-fri 07:30-16:00``."""

from __future__ import annotations

import re
from typing import Any

from faults.crew_hours import hours_defects

Document = dict[str, Any]

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
RIGHT = "lines such as: mon-fri 07:30-16:00, rest 30 min 11:30-13:00"
_LINE = re.compile(
    r"(?P<first>[a-z]{3})(?:-(?P<last>[a-z]{3}))? (?P<start>\d\d:\d\d)-(?P<stop>\d\d:\d\d)"
    r"(?P<rests>(?:, rest \d{1,3} min \d\d:\d\d-\d\d:\d\d)*)"
)
_REST = re.compile(r"rest (\d{1,3}) min (\d\d:\d\d)-(\d\d:\d\d)")


def read_hours_words(text: str) -> list[Document]:
    """Rows in the words of ``faults.crew_hours``; lines are parted by line ends or semicolons.

    Raises ValueError for the first line that cannot be read. Whether clock times are any, and
    hours do not overlap, is for ``faults.crew_hours``.
    """
    rows: list[Document] = []
    for line in filter(None, map(str.strip, text.lower().replace(";", "\n").split("\n"))):
        rows += _rows_of(line)
    return sorted(rows, key=lambda row: (row["weekday"], row["start"]))


def _rows_of(line: str) -> list[Document]:
    read = _LINE.fullmatch(line)
    days = _days(read) if read else []
    if read is None or not days:
        raise ValueError(f"“{line[:60]}” cannot be read; right: {RIGHT}")
    rests = [
        {"earliest": start, "latest": stop, "minutes": int(minutes)}
        for minutes, start, stop in _REST.findall(read["rests"])
    ]
    hours: Document = {"start": read["start"], "stop": read["stop"]}
    return [{"weekday": day, **hours} | ({"breaks": rests} if rests else {}) for day in days]


def _days(read: re.Match[str]) -> list[int]:
    first, last = read["first"], read["last"] or read["first"]
    if first not in WEEKDAYS or last not in WEEKDAYS:
        return []
    return list(range(WEEKDAYS.index(first), WEEKDAYS.index(last) + 1))


def hours_words(rows: list[Document]) -> str:
    """Weekly hours as lines that the field reads."""
    lines: list[tuple[int, int, str]] = []
    for row in sorted(rows, key=lambda one: (one["weekday"], one["start"])):
        rests = "".join(
            f", rest {one['minutes']} min {one['earliest']}-{one['latest']}"
            for one in row.get("breaks", [])
        )
        words = f"{row['start']}-{row['stop']}{rests}"
        alike = next((n for n, line in enumerate(lines) if line[2] == words), None)
        if alike is not None and lines[alike][1] == row["weekday"] - 1:
            lines[alike] = (lines[alike][0], row["weekday"], words)
        else:
            lines.append((row["weekday"], row["weekday"], words))
    return "\n".join(
        f"{WEEKDAYS[a]}{'' if a == b else '-' + WEEKDAYS[b]} {words}" for a, b, words in lines
    )


def hours_said(text: str) -> list[Document]:
    """The hours of free text, none where it is not of this form or they do not fit."""
    try:
        rows = read_hours_words(text)
    except ValueError:
        return []
    return [] if any(hours_defects("", rows)) else rows
