"""Documents and queries of the audit."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

from rest_framework import serializers

from api.strict import Choice, Day, PublicId, QuerySerializer, StrictSerializer, Whole
from core.text_checks import refuse_defects
from faults.audit.assemble import Event
from faults.audit.figure import Figure
from faults.audit_exports import moment_of
from faults.audit_question import LEAST_WINDOW, MOST_WINDOW, RULES, AuditQuestion
from faults.selectors.audit import Audited


class QuestionQuery(QuerySerializer):
    """What an audit is asked, in an address; days are whole, by the contractor's clock."""

    from_day = Day(required=False)
    until_day = Day(required=False)
    property = PublicId("prop", required=False)
    crew = PublicId("crew", required=False)
    window_days = serializers.IntegerField(
        min_value=LEAST_WINDOW,
        max_value=MOST_WINDOW,
        default=365,
        help_text="After a repair or a closing.",
    )
    same_place = Choice(choices=list(RULES), default="splices-1")


class QuestionBody(StrictSerializer):
    """What an audit is asked."""

    from_day = Day(required=False, allow_null=True)
    until_day = Day(required=False, allow_null=True)
    property = PublicId("prop", required=False, allow_null=True)
    crew = PublicId("crew", required=False, allow_null=True)
    window_days = Whole(min_value=LEAST_WINDOW, max_value=MOST_WINDOW, required=False)
    same_place = Choice(choices=list(RULES), required=False)


def question_from(members: dict[str, Any], pointer: str = "") -> AuditQuestion:
    """The question of a query, or of a body where it stands at ``pointer``. Raises Invalid."""
    names = AuditQuestion().document()
    told = {name: members[name] for name in names if members.get(name) is not None}
    question = AuditQuestion(**told)
    refuse_defects(
        "question",
        (replace(one, pointer=f"{pointer}{one.pointer}") for one in question.defects()),
    )
    return question


class AskedDocument(serializers.Serializer[Any]):
    """What an audit was asked."""

    from_day = serializers.DateField(allow_null=True)
    until_day = serializers.DateField(allow_null=True)
    property = serializers.CharField(allow_blank=True, help_text="Empty: all.")
    crew = serializers.CharField(allow_blank=True, help_text="Empty: all.")
    window_days = serializers.IntegerField()
    same_place = serializers.CharField()


class ColumnDocument(serializers.Serializer[Any]):
    """A column of a figure."""

    key = serializers.CharField()
    name = serializers.CharField()
    measure = serializers.CharField(help_text="count, number, share (0 to 1) or text.")


class FigureRowDocument(serializers.Serializer[Any]):
    """A group of a figure. `cells` by the column's key; null: there is nothing to reckon from.
    `opens`: columns whose events can be listed."""

    key = serializers.CharField()
    name = serializers.CharField()
    cells = serializers.DictField()
    opens = serializers.ListField(child=serializers.CharField())


class FigureDocument(serializers.Serializer[Any]):
    """A figure; `says` defines what it counts."""

    key = serializers.CharField()
    title = serializers.CharField()
    of = serializers.CharField()
    says = serializers.CharField()
    columns = ColumnDocument(many=True)
    rows = FigureRowDocument(many=True)


class AuditDocument(serializers.Serializer[Any]):
    """All figures of an audit; what came after `until` was not looked at."""

    asked = AskedDocument()
    until = serializers.DateTimeField()
    figures = FigureDocument(many=True)


class AuditEventDocument(serializers.Serializer[Any]):
    """An event behind a count: a call, finding, repair or removed part, by its id."""

    id = serializers.CharField()
    at = serializers.DateTimeField()
    property = serializers.CharField()
    words = serializers.CharField()
    then = serializers.CharField(
        allow_blank=True,
        help_text="What came after it within the window, a call or finding; empty: nothing.",
    )


def audit_document(audited: Audited) -> dict[str, Any]:
    """The audit as JSON carries it."""
    return {
        "asked": audited.question.document(),
        "until": _moment(audited.until),
        "figures": [_figure(one) for one in audited.found.figures],
    }


def _figure(figure: Figure) -> dict[str, Any]:
    return {
        "key": figure.key,
        "title": figure.title,
        "of": figure.of,
        "says": figure.says,
        "columns": [
            {"key": one.key, "name": one.label, "measure": one.measure} for one in figure.columns
        ],
        "rows": [
            {
                "key": row.key,
                "name": row.label,
                "cells": dict(row.cells),
                "opens": [key for key, ids in row.opens.items() if ids],
            }
            for row in figure.rows
        ],
    }


def event_document(event: Event) -> dict[str, Any]:
    """An event as JSON carries it."""
    return {
        "id": event.id,
        "at": _moment(moment_of(event.at)),
        "property": event.property,
        "words": event.words,
        "then": event.then,
    }


def _moment(at: dt.datetime) -> str:
    return at.astimezone(dt.UTC).isoformat().replace("+00:00", "Z")
