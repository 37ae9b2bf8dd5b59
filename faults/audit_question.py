"""What an audit is asked, as documents and addresses carry it."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from core.problems import Defect, Invalid
from faults.recurrence.same_place import SamePlace
from sites.field_checks import day_defects

Document = dict[str, Any]

RULES: Mapping[str, SamePlace] = {
    "very": SamePlace(),
    "splices-1": SamePlace("splices", 1.0),
    "splices-2": SamePlace("splices", 2.0),
    "splices-3": SamePlace("splices", 3.0),
    "metres-10": SamePlace("metres", 10.0),
    "metres-30": SamePlace("metres", 30.0),
}
"""What the same place is, by the word that is sent."""

_ID = re.compile(r"(?:[a-z]{2,10}_[0-9a-z]{26})?")

WINDOWS = (30, 90, 180, 365, 730)
"""Days after a repair or a closing that pages offer."""

LEAST_WINDOW, MOST_WINDOW = 1, 3650


@dataclass(frozen=True)
class AuditQuestion:
    """Days are whole, both included, by the clock of the contractor; None: no bound. ``property``
    and ``crew`` are public ids; empty: all."""

    from_day: dt.date | None = None
    until_day: dt.date | None = None
    property: str = ""
    crew: str = ""
    window_days: int = 365
    same_place: str = "splices-1"

    def defects(self) -> Iterator[Defect]:
        """What does not fit, with JSON pointers."""
        if self.same_place not in RULES:
            right = f"one of {', '.join(RULES)}"
            yield Defect("/same_place", f"{self.same_place[:20]!r} is no rule", right)
        if not LEAST_WINDOW <= self.window_days <= MOST_WINDOW:
            right = f"{LEAST_WINDOW} to {MOST_WINDOW}"
            yield Defect("/window_days", f"{self.window_days} is out of range", right)
        for name in ("from_day", "until_day"):
            yield from day_defects(f"/{name}", getattr(self, name))
        for name in ("property", "crew"):
            if not _ID.fullmatch(getattr(self, name)):
                yield Defect(f"/{name}", "this is no id", "the id of one, or nothing for all")
        if self.from_day and self.until_day and self.until_day < self.from_day:
            yield Defect("/until_day", "this is before the first day", "the same day or later")

    def rule(self) -> SamePlace:
        """What the same place is."""
        return RULES[self.same_place]

    def document(self) -> Document:
        """As JSON carries it."""
        told = asdict(self)
        for name in ("from_day", "until_day"):
            told[name] = told[name].isoformat() if told[name] else None
        return told

    def query(self) -> dict[str, str]:
        """As an address carries it, without what is not said."""
        return {name: str(value) for name, value in self.document().items() if value}


def question_of(document: Mapping[str, Any]) -> AuditQuestion:
    """The question of a document as ``AuditQuestion.document`` writes it. Raises Invalid."""
    question = AuditQuestion(
        from_day=_day(document, "from_day"),
        until_day=_day(document, "until_day"),
        property=str(document.get("property") or ""),
        crew=str(document.get("crew") or ""),
        window_days=_whole(document.get("window_days") or 365),
        same_place=str(document.get("same_place") or "splices-1"),
    )
    defects = list(question.defects())
    if defects:
        raise Invalid("The question does not fit.", defects=defects)
    return question


def _day(document: Mapping[str, Any], name: str) -> dt.date | None:
    text = document.get(name)
    try:
        return dt.date.fromisoformat(text) if text else None
    except (TypeError, ValueError):
        defect = Defect(f"/{name}", f"{str(text)[:20]!r} is no day", "a day like 2025-04-02")
        raise Invalid("The question does not fit.", defects=[defect]) from None


def _whole(value: object) -> int:
    text = str(value)
    if not (text.isascii() and text.isdigit() and len(text) < 6):
        right = f"{LEAST_WINDOW} to {MOST_WINDOW}"
        defect = Defect("/window_days", f"{text[:20]!r} is no whole number", right)
        raise Invalid("The question does not fit.", defects=[defect])
    return int(text)
