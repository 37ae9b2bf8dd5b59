"""Asking for each thing left on a path: restored, or kept and why."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django import forms

from core.pages.problems import problem_onto_form
from core.problems import Defect, IllegalMove, Invalid, Problem, Stale
from faults.left_words import left_words
from faults.models.as_left import AsLeftItem, LeftAnswerKind, LeftKind
from faults.models.call import FaultCall
from faults.pages.left_words import LEFT_CAUTIONS
from faults.selectors.as_left import as_left_list
from faults.services.as_left import LeftAnswer
from faults.transitions import CallState
from sites.selectors.paths import cable_ends

_ANSWERS = [("", "– say which –"), ("restored", "Restored"), ("kept", "It stays, because")]
_DONE = {
    "call.moved": "moved it",
    "call.assigned": "gave it to somebody",
    "call.updated": "changed what is said of it",
    "call.path-set": "set its path",
    "call.partly-restored": "restored a part of it",
    "call.restored": "put all back on",
}


class LeavingForm(forms.Form):
    """A form that asks of each thing left on the path of a call what becomes of it.

    ``closing`` asks again of what was kept before.
    """

    def __init__(self, call: FaultCall, *args: Any, closing: bool = False, **options: Any) -> None:
        super().__init__(*args, **options)
        self.left_items = left_on_path(call)
        self.asked = [one for one in self.left_items if closing or not one.kept_why]
        for item, words in left_lines(self.asked):
            self.fields[_answer(item)] = forms.ChoiceField(
                label=words, choices=_ANSWERS, required=False
            )
            self.fields[_why(item)] = forms.CharField(
                label="Why it stays", required=False, max_length=500, initial=item.kept_why
            )

    def left_rows(self) -> Iterator[tuple[AsLeftItem, forms.BoundField, forms.BoundField, str]]:
        """Each thing asked for with its two fields, and what to mind about it."""
        for item in self.asked:
            yield item, self[_answer(item)], self[_why(item)], LEFT_CAUTIONS.get(item.kind, "")

    def left(self) -> tuple[LeftAnswer, ...]:
        """What was answered, in the order of the things."""
        return tuple(
            LeftAnswer(item.public_id, said, self._kept_why(item, said))
            for item in self.asked
            if (said := self.cleaned_data.get(_answer(item), ""))
        )

    def tell(self, problem: Problem) -> None:
        """Say a problem at the fields that it is about."""
        if isinstance(problem, Stale):
            self.add_error(None, meanwhile_words(problem))
            return
        if isinstance(problem, IllegalMove):
            self.add_error(None, illegal_words(problem))
            return
        others, unanswered = [], iter(_items_of(problem))
        for defect in problem.defects:
            name = self._field_of(defect, unanswered)
            if name is None:
                others.append(defect)
            else:
                self.add_error(name, f"{defect.what}; right: {defect.right}")
        if others or not problem.defects:
            problem_onto_form(self, Invalid(problem.detail, defects=others))

    def _kept_why(self, item: AsLeftItem, said: str) -> str:
        why: str = self.cleaned_data.get(_why(item), "")
        return why if said == LeftAnswerKind.KEPT else ""

    def _field_of(self, defect: Defect, unanswered: Iterator[str]) -> str | None:
        if defect.pointer == "/left":
            name = f"left_{next(unanswered, '')}"
            return name if name in self.fields else None
        parts = defect.pointer.strip("/").split("/")
        if len(parts) != 3 or parts[0] != "left":
            return None
        item = self.left()[int(parts[1])].item
        return f"left_why_{item}" if parts[2] == "why" else f"left_{item}"


def left_on_path(call: FaultCall) -> list[AsLeftItem]:
    """What is left on the path of a call, the oldest first."""
    return list(as_left_list(call.path)) if call.path is not None else []


def left_lines(items: list[AsLeftItem]) -> list[tuple[AsLeftItem, str]]:
    """Things left, each with its words; a joint also with its splice point."""
    joints = [one for one in items if one.kind in (LeftKind.JOINT_OPEN, LeftKind.JOINT_CLOSED)]
    paths, codes = {one.path_id for one in joints}, {one.where["segment"] for one in joints}
    ends = cable_ends(paths, codes) if joints else {}

    def at(item: AsLeftItem) -> str:
        found = ends.get((item.path_id, item.where.get("segment", "")), {}) if ends else {}
        node = found.get(item.where.get("end", ""), "")
        return f", at {node}" if node else ""

    return [(item, f"{left_words(item)}{at(item)}") for item in items]


def meanwhile_words(problem: Stale) -> str:
    """Who did what to a call since its page was opened."""
    changed = problem.extra.get("changed")
    rows = changed if isinstance(changed, list) else []
    told = [f"{row['by']} {_DONE.get(row['action'], 'changed it')}" for row in rows]
    since = f" ({', then '.join(told)})" if told else ""
    return f"This was changed meanwhile{since}. Look at how it stands now, and send it again."


def illegal_words(problem: IllegalMove) -> str:
    """What a call cannot become, and what it can."""
    legal = problem.extra.get("legal")
    names = [CallState(one).label.lower() for one in legal] if isinstance(legal, list) else []
    return f"{problem.detail} It can become: {', '.join(names)}." if names else problem.detail


def _items_of(problem: Problem) -> list[str]:
    rows = problem.extra.get("as_left")
    return [str(row["item"]) for row in rows] if isinstance(rows, list) else []


def _answer(item: AsLeftItem) -> str:
    return f"left_{item.public_id}"


def _why(item: AsLeftItem) -> str:
    return f"left_why_{item.public_id}"
