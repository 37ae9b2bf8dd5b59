"""/visits: a crew at a place at a time, and what became of it."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.pagination import PageQuery, page_of, page_response
from api.preconditions import require_version, versioned_response
from api.resource import Resource
from api.strict import Choice, Flag, PublicId, StrictSerializer, Text, read_body, read_query
from core.accounts.directory import crew_get
from faults.models.dispatch import PlannedVisit, VisitState
from faults.selectors.day_plans import plan_get, visit_get, visit_list
from faults.services.visits import (
    LONGEST_LACKED,
    MOST_LACKED,
    MOST_WORDS,
    visit_lock,
    visit_move,
)


class VisitDocument(serializers.Serializer[PlannedVisit]):
    """A visit of a plan."""

    id = serializers.CharField(source="public_id")
    plan = serializers.CharField(source="plan.public_id")
    name = serializers.CharField(help_text="What it is for; the same from plan to plan.")
    kind = serializers.CharField(help_text="`call`, `soak` or `look`.")
    crew = serializers.CharField(source="crew.public_id")
    crew_name = serializers.CharField(source="crew.name")
    call = serializers.CharField(source="call.public_id", default=None, allow_null=True)
    soak_check = serializers.CharField(source="soak_check.public_id", default=None, allow_null=True)
    inspection = serializers.CharField(source="inspection.public_id", default=None, allow_null=True)
    starts_at = serializers.DateTimeField()
    ends_at = serializers.DateTimeField(help_text="By the minutes that were planned.")
    drive_min = serializers.IntegerField(help_text="The way to it.")
    why = serializers.CharField(help_text="Why this crew.")
    is_locked = serializers.BooleanField()
    state = serializers.ChoiceField(choices=VisitState.values)
    state_at = serializers.DateTimeField(allow_null=True)
    missed_why = serializers.CharField()
    lacked = serializers.ListField(
        child=serializers.CharField(), help_text="What was needed there and was not aboard."
    )


class VisitQuery(PageQuery):
    """Which visits; without `plan` those of the plan that holds."""

    plan = PublicId("plan", required=False)
    crew = PublicId("crew", required=False)


class VisitMoveNew(StrictSerializer):
    """What became of a visit."""

    to = Choice(choices=[one for one in VisitState.values if one != "planned"])
    why = Text(
        max_length=MOST_WORDS,
        required=False,
        allow_blank=True,
        help_text="Asked for with `missed`.",
    )
    lacked = serializers.ListField(
        child=Text(max_length=LONGEST_LACKED),
        max_length=MOST_LACKED,
        required=False,
        help_text="What was needed there and was not aboard; with `done` or `missed`.",
    )


class VisitEdit(StrictSerializer):
    """What to change of a visit."""

    is_locked = Flag(help_text="Its crew and time stay in later plans.")


class Visits(Resource):
    """Visits of crews."""

    @described("visits", "List visits", Answer(page_document(VisitDocument)), query=VisitQuery)
    def get(self, request: Request) -> Response:
        """Of the plan that holds, or of another one, the oldest row first."""
        query = read_query(request, VisitQuery)
        plan = plan_get(query["plan"]) if "plan" in query else None
        crew = crew_get(query["crew"]) if "crew" in query else None
        page = page_of(visit_list(plan=plan, crew=crew), query)
        return page_response(request, page, VisitDocument)


class OneVisit(Resource):
    """A visit."""

    @described("visit", "A visit", Answer(VisitDocument, tagged=True), headers=[IF_NONE_MATCH])
    def get(self, request: Request, public_id: str) -> Response:
        """With why it is with this crew."""
        return _response(request, public_id)

    @described(
        "visit_update",
        "Lock a visit, or free it",
        Answer(VisitDocument, tagged=True),
        body=VisitEdit,
        headers=[IF_MATCH],
    )
    def patch(self, request: Request, public_id: str) -> Response:
        """A locked visit keeps crew and time in later plans. 409: its plan does not hold."""
        visit = visit_get(public_id)
        require_version(request, visit.version)
        locked = read_body(request, VisitEdit)["is_locked"]
        visit_lock(visit=visit, locked=locked, version=visit.version, by=self.actor)
        return _response(request, public_id)


class VisitMoves(Resource):
    """What becomes of a visit."""

    @described(
        "visit_move",
        "Start, finish or miss a visit",
        Answer(VisitDocument, 201, tagged=True),
        body=VisitMoveNew,
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """409 tells what its state allows; a visit that was missed is planned again."""
        visit = visit_get(public_id)
        require_version(request, visit.version)
        body: dict[str, Any] = read_body(request, VisitMoveNew)
        visit_move(visit=visit, **body, version=visit.version, by=self.actor)
        return _response(request, public_id, 201)


def _response(request: Request, public_id: str, status: int = 200) -> Response:
    visit = visit_get(public_id)
    return versioned_response(request, VisitDocument(visit).data, visit.version, status)
