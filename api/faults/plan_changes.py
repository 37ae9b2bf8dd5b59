"""/day-plans/{id}/moves and /comparison: a draft changed by hand, two plans side by side."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, Answer, described
from api.faults.day_plans import PlanChangeDocument, PlanFigureDocument, change_told, minute_moment
from api.preconditions import require_version
from api.resource import Resource
from api.strict import (
    Flag,
    PublicId,
    QuerySerializer,
    StrictSerializer,
    Text,
    Whole,
    read_body,
    read_query,
)
from faults.dispatch.by_hand import HandMove, Moved
from faults.dispatch.plan import Stop
from faults.selectors.day_plans import plan_beside, plan_get, plans_compared
from faults.services.plans_by_hand import (
    hand_move_checked,
    plan_move_by_hand,
    plan_undo_by_hand,
)


class HandMoveNew(StrictSerializer):
    """Where one visit of a draft shall be."""

    visit = Text(max_length=80, help_text="Its name, such as `call:…`.")
    crew = PublicId("crew", allow_null=True, help_text="`null` takes it out of the plan.")
    shift = Whole(max_value=100, required=False, help_text="Number of the crew's shift; else any.")
    after = Text(
        max_length=80,
        required=False,
        allow_blank=True,
        help_text="The visit it follows; empty: first of the shift; else where it costs least.",
    )
    keep = Flag(required=False, help_text="Later plans leave it there; usual.")
    dry_run = Flag(required=False, help_text="Say what it would do, and keep nothing.")


class ShiftedDocument(serializers.Serializer[Any]):
    """Another visit that begins at another time."""

    visit = serializers.CharField()
    starts_before = serializers.DateTimeField()
    starts_after = serializers.DateTimeField()


class HandMovedDocument(serializers.Serializer[Any]):
    """What a move does."""

    kept = serializers.BooleanField(help_text="False: it was only looked at.")
    version = serializers.IntegerField(help_text="Of the plan now.")
    starts_at = serializers.DateTimeField(allow_null=True)
    ends_at = serializers.DateTimeField(allow_null=True)
    drive_min = serializers.IntegerField(allow_null=True)
    shifted = ShiftedDocument(many=True)
    figures = PlanFigureDocument(many=True)


class ComparisonQuery(QuerySerializer):
    """With which plan."""

    to = PublicId(
        "plan",
        required=False,
        help_text="The plan before; else the one this was changed from, else itself.",
    )


class ComparisonDocument(serializers.Serializer[Any]):
    """What two plans differ in."""

    alike = serializers.IntegerField(help_text="Visits with the same crew and start in both.")
    others = PlanChangeDocument(many=True, help_text="Without `why`.")
    figures = PlanFigureDocument(many=True)


class DayPlanMoves(Resource):
    """Moves by hand."""

    @described(
        "day_plan_move",
        "Move a visit of a draft by hand",
        Answer(HandMovedDocument, 201),
        body=HandMoveNew,
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """All other visits keep crew and order. 409: no draft. 422: it cannot be kept, and why."""
        plan = plan_get(public_id)
        require_version(request, plan.version)
        body = read_body(request, HandMoveNew)
        place = {name: body[name] for name in ("shift", "after") if name in body}
        move = HandMove(body["visit"], body["crew"] or "", **place)
        moved = hand_move_checked(plan, move)
        version, kept = plan.version, not body.get("dry_run", False)
        if kept:
            keep = body.get("keep", True)
            version = plan_move_by_hand(
                plan=plan, move=move, version=version, by=self.actor, keep=keep
            ).version
        return Response(_moved(moved, version, kept=kept), 201)


class DayPlanTakeBack(Resource):
    """Taking moves by hand back."""

    @described(
        "day_plan_take_back",
        "Take all moves by hand back",
        Answer(HandMovedDocument, 201),
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """The draft is again as it was made. 409: nothing was moved by hand."""
        plan = plan_get(public_id)
        require_version(request, plan.version)
        held = plan_undo_by_hand(plan=plan, version=plan.version, by=self.actor)
        return Response(HandMovedDocument(_bare(held.version)).data, 201)


class DayPlanComparison(Resource):
    """Two plans side by side."""

    @described(
        "day_plan_comparison",
        "Compare two plans",
        Answer(ComparisonDocument),
        query=ComparisonQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """This plan after another one, of whatever days; 409 where one was not made."""
        plan = plan_get(public_id)
        to = read_query(request, ComparisonQuery).get("to", "")
        found = plans_compared(plan_beside(plan, to), plan)
        others = [change_told(asdict(one)) for one in found.others]
        figures = PlanFigureDocument(found.figures, many=True).data
        return Response({"alike": found.alike, "others": others, "figures": figures})


def _bare(version: int) -> dict[str, Any]:
    nothing = dict.fromkeys(("starts_at", "ends_at", "drive_min"))
    return nothing | {"kept": True, "version": version, "shifted": [], "figures": []}


def _moved(moved: Moved, version: int, *, kept: bool) -> dict[str, Any]:
    stop: Stop | None = moved.stop
    return {
        "kept": kept,
        "version": version,
        "starts_at": minute_moment(stop.start_min if stop else None),
        "ends_at": minute_moment(stop.finish_min if stop else None),
        "drive_min": stop.drive_min if stop else None,
        "shifted": [
            {
                "visit": one.visit,
                "starts_before": minute_moment(one.start_before_min),
                "starts_after": minute_moment(one.start_after_min),
            }
            for one in moved.shifted
        ],
        "figures": PlanFigureDocument(moved.figures, many=True).data,
    }
