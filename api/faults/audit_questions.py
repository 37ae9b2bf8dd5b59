"""/audit-questions: questions that are kept under a name."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.faults.audit_forms import AskedDocument, QuestionBody, question_from
from api.pagination import PageQuery, page_of, page_response, sort_field
from api.preconditions import require_version, versioned_response
from api.resource import Resource
from api.strict import StrictSerializer, Text, read_body, read_query
from faults.audit_question import question_of
from faults.models.audit import SavedQuestion
from faults.selectors.audit_asked import saved_question_get, saved_question_list
from faults.services.audit_questions import (
    MOST_NAME,
    question_alter,
    question_save,
    question_withdraw,
)


class SavedQuestionDocument(serializers.Serializer[SavedQuestion]):
    """A question under a name."""

    id = serializers.CharField(source="public_id")
    name = serializers.CharField()
    asked = AskedDocument()
    created_at = serializers.DateTimeField()
    by_id = serializers.CharField()
    by_name = serializers.CharField()
    withdrawn_at = serializers.DateTimeField(allow_null=True)


class SavedQuestionNew(StrictSerializer):
    """A name and what is asked under it."""

    name = Text(max_length=MOST_NAME)
    asked = QuestionBody()


class SavedQuestionEdit(StrictSerializer):
    """What to change; what is absent stays, `asked` is taken whole."""

    name = Text(max_length=MOST_NAME, required=False)
    asked = QuestionBody(required=False)


class SavedQuestionQuery(PageQuery):
    """Which questions."""

    sort = sort_field("name", "created_at")
    with_withdrawn = serializers.BooleanField(default=False)


class AuditQuestions(Resource):
    """Kept questions of the contractor."""

    @described(
        "audit_questions",
        "List kept questions",
        Answer(page_document(SavedQuestionDocument)),
        query=SavedQuestionQuery,
    )
    def get(self, request: Request) -> Response:
        """Questions that the audit is asked again and again."""
        query = read_query(request, SavedQuestionQuery)
        rows = saved_question_list(with_withdrawn=query["with_withdrawn"])
        return page_response(request, page_of(rows, query), SavedQuestionDocument)

    @described(
        "audit_question_save",
        "Keep a question",
        Answer(SavedQuestionDocument, 201, tagged=True),
        body=SavedQuestionNew,
    )
    def post(self, request: Request) -> Response:
        """409: the name is taken."""
        body = read_body(request, SavedQuestionNew)
        question = question_from(body["asked"], "/asked")
        row = question_save(name=body["name"], question=question, by=self.actor)
        return _response(request, row, 201)


class OneAuditQuestion(Resource):
    """A kept question."""

    @described(
        "audit_question",
        "A kept question",
        Answer(SavedQuestionDocument, tagged=True),
        headers=[IF_NONE_MATCH],
    )
    def get(self, request: Request, public_id: str) -> Response:
        """Its name and what it asks."""
        return _response(request, saved_question_get(public_id))

    @described(
        "audit_question_alter",
        "Change a kept question",
        Answer(SavedQuestionDocument, tagged=True),
        body=SavedQuestionEdit,
        headers=[IF_MATCH],
    )
    def patch(self, request: Request, public_id: str) -> Response:
        """What is absent stays as it is."""
        row = saved_question_get(public_id)
        require_version(request, row.version)
        body: dict[str, Any] = read_body(request, SavedQuestionEdit)
        question = (
            question_from(body["asked"], "/asked") if "asked" in body else question_of(row.asked)
        )
        name = body.get("name", row.name)
        told = question_alter(
            row=row, name=name, question=question, version=row.version, by=self.actor
        )
        return _response(request, told)


class AuditQuestionWithdraw(Resource):
    """Taking a question off the list."""

    @described(
        "audit_question_withdraw",
        "Take a question off the list",
        Answer(SavedQuestionDocument, tagged=True),
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """Its name is free again."""
        row = saved_question_get(public_id)
        require_version(request, row.version)
        return _response(request, question_withdraw(row=row, version=row.version, by=self.actor))


def _response(request: Request, row: SavedQuestion, status: int = 200) -> Response:
    return versioned_response(request, SavedQuestionDocument(row).data, row.version, status)
