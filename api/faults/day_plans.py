"""/day-plans: who goes where when, with reasons."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.pagination import PageQuery, page_of, page_response
from api.preconditions import require_version, versioned_response
from api.resource import Resource
from api.strict import (
    Day,
    Moment,
    Number,
    PublicId,
    StrictSerializer,
    Text,
    Whole,
    read_body,
    read_query,
)
from api.throttles import HEAVY
from faults.dispatch.shifts import EPOCH, MINUTE, minute_of
from faults.models.dispatch import DayPlan, PlanState
from faults.selectors.day_plans import plan_get, plan_list
from faults.selectors.day_problem import Lock, PlanOptions
from faults.services.day_plans import (
    MOST_DAYS,
    MOST_PLACES,
    MOST_WORDS,
    given_travel,
    plan_ask,
)
from faults.services.plan_publishing import plan_publish

MOST_LOCKS = 200


class PlanDocument(serializers.Serializer[DayPlan]):
    """A plan of some days."""

    id = serializers.CharField(source="public_id")
    from_day = serializers.DateField()
    days = serializers.IntegerField()
    state = serializers.ChoiceField(choices=PlanState.values)
    why = serializers.CharField(help_text="What it was asked for.")
    job = serializers.CharField(source="job.public_id", help_text="How far it is: `/jobs/{id}`.")
    changed_from = serializers.CharField(
        source="told.public_id",
        default=None,
        allow_null=True,
        help_text="The plan that was published when asked.",
    )
    refused = serializers.CharField(help_text="Why it could not be made; or empty.")
    asked_at = serializers.DateTimeField()
    by_id = serializers.CharField()
    by_name = serializers.CharField()
    published_at = serializers.DateTimeField(allow_null=True)
    published_by_name = serializers.CharField()


class PlanLeftOutDocument(serializers.Serializer[Any]):
    """A visit that is in no crew's day, and why."""

    visit = serializers.CharField()
    possible = serializers.BooleanField(help_text="A crew could, if it had nothing else.")
    text = serializers.CharField()
    would_take = serializers.CharField()


class PlanChangeDocument(serializers.Serializer[Any]):
    """What is otherwise than in the plan before, and why."""

    visit = serializers.CharField()
    kind = serializers.CharField()
    crew_before = serializers.CharField(allow_null=True)
    starts_before = serializers.DateTimeField(allow_null=True)
    crew_after = serializers.CharField(allow_null=True)
    starts_after = serializers.DateTimeField(allow_null=True)
    why = serializers.CharField()


class PlanFigureDocument(serializers.Serializer[Any]):
    """A figure of the plan before and of this one."""

    name = serializers.CharField()
    before = serializers.FloatField()
    after = serializers.FloatField()


class OnePlanDocument(PlanDocument):
    """A plan with its reasons; its visits are at `/visits?plan=`."""

    by_hand = serializers.DictField(
        child=serializers.CharField(), help_text="Visits that were put by hand, and by whom."
    )
    figures = serializers.DictField(
        child=serializers.FloatField(), help_text="What it comes to; empty until it is made."
    )
    method = serializers.CharField(help_text="How it was found; empty until it is made.")
    cut_short = serializers.CharField(
        help_text="Why the search was given up and this is the first plan; or empty."
    )
    left_out = PlanLeftOutDocument(many=True)
    changes = PlanChangeDocument(many=True)
    compared = PlanFigureDocument(many=True)


class LockNew(StrictSerializer):
    """A visit that shall be with a crew, and from a moment where one is given."""

    visit = Text(max_length=80, help_text="Its name, such as `call:…`.")
    crew = PublicId("crew")
    starts_at = Moment(required=False)


class TravelNew(StrictSerializer):
    """Minutes of driving as you know them; legs that are not given are driven by distance."""

    places = serializers.ListField(
        child=Text(max_length=40),
        max_length=MOST_PLACES,
        help_text="Ids of properties, and of crews for their bases.",
    )
    minutes = serializers.ListField(
        child=serializers.ListField(
            child=Number(min_value=0, max_value=10_000), max_length=MOST_PLACES
        ),
        max_length=MOST_PLACES,
        help_text="A row for each place from, in each a number for each place to.",
    )


class PlanNew(StrictSerializer):
    """What to plan."""

    from_day = Day()
    days = Whole(min_value=1, max_value=MOST_DAYS, required=False)
    why = Text(max_length=MOST_WORDS, required=False, allow_blank=True)
    speed_km_h = Number(min_value=1, max_value=200, required=False)
    road_factor = Number(
        min_value=1, max_value=5, required=False, help_text="Road over great circle."
    )
    margin = Number(
        min_value=0, max_value=1, required=False, help_text="Of the way from P50 to P90 kept free."
    )
    crews_off = serializers.ListField(child=PublicId("crew"), max_length=MOST_LOCKS, required=False)
    locks = serializers.ListField(child=LockNew(), max_length=MOST_LOCKS, required=False)
    travel = TravelNew(required=False)


class DayPlans(Resource):
    """Plans of days."""

    limit_name = HEAVY

    @described("day_plans", "List plans", Answer(page_document(PlanDocument)), query=PageQuery)
    def get(self, request: Request) -> Response:
        """The newest first, with those on the way and those that were superseded."""
        page = page_of(plan_list(), read_query(request, PageQuery), "-id")
        return page_response(request, page, PlanDocument)

    @described("day_plan_ask", "Ask for a plan", Answer(PlanDocument, 201), body=PlanNew)
    def post(self, request: Request) -> Response:
        """A job makes it. Where a plan is published, as little of it is changed as must be, and
        `changes` say what and why. 409: three are on the way already.
        """
        body = read_body(request, PlanNew)
        asked = {name: body.pop(name) for name in ("from_day", "why") if name in body}
        days = body.pop("days", 1)
        locks = tuple(_lock(one) for one in body.pop("locks", []))
        crews_off = tuple(body.pop("crews_off", []))
        travel = given_travel(**body.pop("travel")) if "travel" in body else None
        options = PlanOptions(**body, crews_off=crews_off, locks=locks, travel=travel)
        plan = plan_ask(**asked, days=days, by=self.actor, options=options)
        return Response(PlanDocument(plan).data, 201)


class OneDayPlan(Resource):
    """A plan."""

    @described("day_plan", "A plan", Answer(OnePlanDocument, tagged=True), headers=[IF_NONE_MATCH])
    def get(self, request: Request, public_id: str) -> Response:
        """With what was left out, what changed, and why."""
        return _response(request, plan_get(public_id))


class DayPlanPublish(Resource):
    """Letting a plan hold."""

    @described(
        "day_plan_publish",
        "Publish a plan",
        Answer(OnePlanDocument, 201, tagged=True),
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """Its visits are told; the plan before is superseded; reported calls are planned.

        409: it is no draft, or another plan was published since it was asked for.
        """
        plan = plan_get(public_id)
        require_version(request, plan.version)
        plan_publish(plan=plan, version=plan.version, by=self.actor)
        return _response(request, plan_get(public_id), 201)


def _lock(row: dict[str, Any]) -> Lock:
    start = row.get("starts_at")
    return Lock(row["visit"], row["crew"], None if start is None else minute_of(start))


def _response(request: Request, plan: DayPlan, status: int = 200) -> Response:
    answer = plan.answer
    made = answer.get("plan", {})
    left_out = [
        {"visit": one["visit"], "possible": False, "text": one["why"], "would_take": ""}
        for one in plan.saw.get("unasked", [])
    ]
    data = dict(PlanDocument(plan).data) | {
        "by_hand": answer.get("by_hand", {}),
        "figures": made.get("figures", {}),
        "method": made.get("method", ""),
        "cut_short": answer.get("cut_short", ""),
        "left_out": PlanLeftOutDocument([*left_out, *answer.get("left_out", [])], many=True).data,
        "changes": [change_told(one) for one in answer.get("changes", [])],
        "compared": PlanFigureDocument(answer.get("figures", []), many=True).data,
    }
    return versioned_response(request, data, plan.version, status)


def change_told(row: dict[str, Any]) -> dict[str, Any]:
    """A change of a plan with moments in place of its minutes."""
    moments = {f"starts_{at}": minute_moment(row[f"start_{at}_min"]) for at in ("before", "after")}
    kept = ("visit", "kind", "crew_before", "crew_after", "why")
    return {name: row[name] for name in kept} | moments


def minute_moment(minute: int | None) -> str | None:
    """The moment of a minute of a plan."""
    return None if minute is None else f"{(EPOCH + minute * MINUTE):%Y-%m-%dT%H:%M:%SZ}"
