"""/wire-paths/{id}/as-left, and what is said of it in a call."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import Answer, described, page_document
from api.faults.call_moves import MOST_ANSWERS, LeftAnswerNew, left_answers
from api.pagination import PageQuery, page_of, page_response
from api.references import named
from api.resource import Resource
from api.strict import Choice, PublicId, StrictSerializer, Text, read_body, read_query
from core.problems import Defect, Invalid
from faults.left_things import LeftThing
from faults.models.as_left import AsLeftAnswer, AsLeftItem, LeftKind
from faults.selectors.as_left import as_left_answers, as_left_list
from faults.selectors.calls import call_get
from faults.services.as_left import MOST_NAME, as_left_add, as_left_answer
from sites.selectors.paths import path_get


class AsLeftDocument(serializers.Serializer[AsLeftItem]):
    """One thing that is not as built on a wire path."""

    id = serializers.CharField(source="public_id")
    call = serializers.CharField(source="call.public_id", help_text="In which it was left.")
    kind = serializers.CharField(help_text=f"One of {', '.join(LeftKind)}.")
    key = serializers.CharField(help_text="Names it on its path.")
    where = serializers.DictField(help_text="In the words of the forms.")
    note = serializers.CharField()
    since = serializers.DateTimeField()
    by_name = serializers.CharField()
    kept_why = serializers.CharField(help_text="Why it stays; empty: nobody has said so yet.")


class AsLeftAnswerDocument(serializers.Serializer[AsLeftAnswer]):
    """What somebody said of a thing left."""

    item = serializers.CharField(source="item.public_id")
    key = serializers.CharField(source="item.key")
    answer = serializers.CharField(help_text="`restored` or `kept`.")
    why = serializers.CharField()
    at = serializers.DateTimeField()
    by_id = serializers.CharField()
    by_name = serializers.CharField()


class AsLeftNew(StrictSerializer):
    """Something left that no trace says, such as a lid up."""

    call = PublicId("call", help_text="The call it is left in, of this wire path.")
    kind = Choice(choices=LeftKind.values)
    name = Text(
        max_length=MOST_NAME,
        required=False,
        allow_blank=True,
        help_text="Which one: an id of the map, with `joint-open` and `joint-closed` a segment "
        "and its end (`S1/to`), with `tag` a node and the tag (`N2:T7`); for `other` a few words.",
    )
    note = Text(max_length=200, required=False, allow_blank=True)


class AsLeftAnswersNew(StrictSerializer):
    """What is said of things left on the path of a call."""

    left = serializers.ListField(child=LeftAnswerNew(), min_length=1, max_length=MOST_ANSWERS)


class WirePathAsLeft(Resource):
    """What is left on a wire path."""

    @described(
        "wire_path_as_left",
        "List what is left on a wire path",
        Answer(page_document(AsLeftDocument)),
        query=PageQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """What is not as built now, the oldest first. Whoever goes there has to be shown it."""
        rows = as_left_list(path_get(public_id))
        return page_response(request, page_of(rows, read_query(request, PageQuery)), AsLeftDocument)

    @described("as_left_add", "Say what else is left", Answer(AsLeftDocument, 201), body=AsLeftNew)
    def post(self, request: Request, public_id: str) -> Response:
        """The same thing again answers the one that is there."""
        path = path_get(public_id)
        body = read_body(request, AsLeftNew)
        call = named(call_get, body["call"], "/call")
        if call is None or call.path != path:
            defect = Defect("/call", "this call is not about this wire path", "one that is")
            raise Invalid("The thing left does not fit.", defects=[defect])
        thing = LeftThing(LeftKind(body["kind"]), body.get("name", ""))
        item = as_left_add(call=call, thing=thing, note=body.get("note", ""), by=self.actor)
        return Response(AsLeftDocument(item).data, 201)


class CallAsLeftAnswers(Resource):
    """What was said in a call of things left."""

    @described(
        "call_as_left_answers",
        "List what was said of things left",
        Answer(page_document(AsLeftAnswerDocument)),
        query=PageQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """Answers of the call, the oldest first."""
        rows = as_left_answers(call_get(public_id))
        page = page_of(rows, read_query(request, PageQuery))
        return page_response(request, page, AsLeftAnswerDocument)

    @described(
        "as_left_answer",
        "Answer for what is left",
        Answer(page_document(AsLeftDocument), 201),
        body=AsLeftAnswersNew,
    )
    def post(self, request: Request, public_id: str) -> Response:
        """Restored, or kept and why. The answer is what is still left on the path."""
        call = call_get(public_id)
        answers = left_answers(read_body(request, AsLeftAnswersNew)["left"])
        as_left_answer(call=call, answers=answers, by=self.actor)
        items: Any = as_left_list().filter(path=call.path)
        return Response({"items": AsLeftDocument(items, many=True).data, "next_cursor": None}, 201)
