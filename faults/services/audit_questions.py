"""Keeping questions that an audit is asked again."""

from __future__ import annotations

from django.db import IntegrityError, transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one, refuse_past
from core.problems import Conflict, IllegalMove
from core.text_checks import name_defects, refuse_defects
from faults.audit_question import AuditQuestion
from faults.models.audit import SavedQuestion

MOST_NAME = 120
MOST_QUESTIONS = 200


def question_save(*, name: str, question: AuditQuestion, by: Actor) -> SavedQuestion:
    """Keep a question under a name. Raises Invalid, Conflict where the name is taken."""
    _refuse_unfit(name, question)
    try:
        with transaction.atomic():
            if SavedQuestion.objects.filter(withdrawn_at=None).count() >= MOST_QUESTIONS:
                raise Conflict(f"There are {MOST_QUESTIONS} questions already: withdraw one first.")
            row = SavedQuestion.objects.create(
                name=name,
                asked=question.document(),
                created_at=now(),
                by_id=by.public_id,
                by_name=by.name,
            )
            _told(row, "audit-question.saved", by)
    except IntegrityError:
        raise _taken(name) from None
    return row


def question_alter(
    *, row: SavedQuestion, name: str, question: AuditQuestion, version: int, by: Actor
) -> SavedQuestion:
    """Give a question another name or ask something else; where it is so already, nothing is
    written. Raises Invalid, Stale, Conflict."""
    _refuse_unfit(name, question)
    try:
        with transaction.atomic():
            held = _held(row, version)
            if (held.name, held.asked) == (name, question.document()):
                return held
            held.name, held.asked = name, question.document()
            held.version += 1
            held.save()
            _told(held, "audit-question.altered", by)
    except IntegrityError:
        raise _taken(name) from None
    return held


@transaction.atomic
def question_withdraw(*, row: SavedQuestion, version: int, by: Actor) -> SavedQuestion:
    """Take a question off the list; its name is free again. Raises Stale, IllegalMove."""
    held = _held(row, version)
    held.withdrawn_at = now()
    held.version += 1
    held.save()
    _told(held, "audit-question.withdrawn", by)
    return held


def _held(row: SavedQuestion, version: int) -> SavedQuestion:
    held = locked_one(row)
    refuse_past("question", held.version, version)
    if held.withdrawn_at is not None:
        raise IllegalMove("The question was withdrawn.", extra={"legal": []})
    return held


def _refuse_unfit(name: str, question: AuditQuestion) -> None:
    refuse_defects("question", [*name_defects("/name", name, MOST_NAME), *question.defects()])


def _taken(name: str) -> Conflict:
    return Conflict(f"There is a question {name!r} already: give it another name.")


def _told(row: SavedQuestion, action: str, by: Actor) -> None:
    change_record(
        by=by,
        action=action,
        thing=("audit-question", row.public_id),
        after={"name": row.name, "asked": row.asked},
    )
