"""Drives the product's trace session through documents, with the second field answering.

The only file of this folder that imports the product.
"""

from __future__ import annotations

from dataclasses import dataclass

from faults.forms.observation import read_observation
from faults.forms.step import step_document, verdict_document
from faults.forms.trace import read_trace
from faults.tracing.session import Refused, begin
from tests.second_field.field import SecondField
from tests.second_field.judge import is_located, is_proved, is_wrongly_proved
from tests.second_field.places import Document

MOST_OBSERVATIONS = 400
MOST_REFUSED = 20


class NeverDone(Exception):
    """The session asked on and on without a verdict."""


@dataclass(frozen=True, slots=True)
class SecondPlay:
    """One trace on the second field: the verdict document and how it compares with the truth.

    `minutes` by the field's own clock, `search_minutes` as the verdict says; `refused_by_session`
    are observations that the session would not take, `refused_by_field` steps that the field
    would not do.
    """

    verdict: Document
    observations: int
    minutes: float
    search_minutes: float | None
    located: bool
    proved: bool
    wrongly_proved: bool
    refused_by_session: tuple[str, ...]
    refused_by_field: tuple[str, ...]


def play_against_session(document: Document, field: SecondField) -> SecondPlay:
    """Play a rehearsal document to its verdict; the session sees the document as a trace.

    Raises:
        NeverDone: after 400 observations, or 20 that the session refused.
    """
    session = begin(read_trace(document))
    observations = 0
    refused: list[str] = []
    while session.done is None:
        if observations >= MOST_OBSERVATIONS or len(refused) >= MOST_REFUSED:
            raise NeverDone(f"no verdict after {observations} observations; refused: {refused}")
        step = step_document(session.step)
        answer = field.answer(step)
        try:
            session = session.observe(read_observation(answer))
        except Refused as refusal:
            refused.append(f"{answer['do']}: {refusal}")
        else:
            observations += 1
    verdict = verdict_document(session.done)
    truth = document["faults"][0]["at"]
    return SecondPlay(
        verdict=verdict,
        observations=observations,
        minutes=field.minutes,
        search_minutes=verdict.get("search_minutes"),
        located=is_located(verdict, truth),
        proved=is_proved(verdict, truth),
        wrongly_proved=is_wrongly_proved(verdict, truth),
        refused_by_session=tuple(refused),
        refused_by_field=tuple(field.refused),
    )
