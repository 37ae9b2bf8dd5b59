"""/soak-checks: looking at repairs again when they are wet."""

from __future__ import annotations

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.pagination import PageQuery, page_of, page_response
from api.preconditions import require_version, versioned_response
from api.references import one_of
from api.resource import Resource
from api.sites.controllers import LabelledDocument
from api.sites.properties import NamedDocument
from api.strict import Choice, Flag, Number, StrictSerializer, Text, read_body, read_query
from api.throttles import HEAVY
from faults.models.repair import SoakCheck, SoakCheckLeg, SoakState
from faults.selectors.repairs import soak_check_list, soak_checks_due
from faults.services.soak_checks import SoakLeg, SoakReadings, soak_check_done

MOST_NOTE = 450
_ENDS = [SoakState.HELD.value, SoakState.FAILED.value, SoakState.DROPPED.value]


MOST_LEGS = 100


class SoakLegDocument(serializers.Serializer[SoakCheckLeg]):
    """What a leg read at a soak check, the coil out, and what it was held against."""

    leg = serializers.CharField()
    current_ma = serializers.FloatField(allow_null=True)
    far_v = serializers.FloatField(allow_null=True)
    insulation_mohm = serializers.FloatField(allow_null=True)
    within = serializers.BooleanField(
        allow_null=True,
        help_text="Nothing that was read speaks against the leg. Null: it was not judged.",
    )
    least_ma = serializers.FloatField(
        allow_null=True, help_text="Its current should be no less. Null: not held against it."
    )
    most_ma = serializers.FloatField(allow_null=True, help_text="And no more.")
    basis = serializers.CharField(
        help_text="`sound-record`: its newest on this map; or the circuit's `prediction`; empty: "
        "not judged."
    )
    least_far_v = serializers.FloatField(
        allow_null=True, help_text="The far end should read no less. Null: not held against it."
    )
    least_far_v_basis = serializers.CharField(
        help_text="`limit` of the path, `sound-record` or `prediction`; empty: not held."
    )


class SoakCheckDocument(serializers.Serializer[SoakCheck]):
    """A look at a repair after the next rain or watering."""

    id = serializers.CharField(source="public_id")
    repair = serializers.CharField(source="repair.public_id")
    call = serializers.CharField(source="repair.call.public_id")
    property = NamedDocument(source="repair.call.property")
    path = LabelledDocument(source="repair.call.path", allow_null=True)
    state = serializers.CharField(help_text=f"One of {', '.join(SoakState)}.")
    due_from = serializers.DateField(help_text="Due once it is wet from this day on.")
    due_by = serializers.DateField(help_text="Due from this day on in any case.")
    done_at = serializers.DateTimeField(allow_null=True)
    done_by_kind = serializers.CharField(help_text="`person` or `token`; empty: to be done.")
    done_by_id = serializers.CharField()
    done_by_name = serializers.CharField()
    note = serializers.CharField()
    legs = SoakLegDocument(many=True, source="legs.all")
    terminal_v = serializers.FloatField(allow_null=True)
    least_terminal_v = serializers.FloatField(
        allow_null=True, help_text="The terminals should read no less. Null: not held against it."
    )
    least_terminal_v_basis = serializers.CharField(
        help_text="`limit` of the path or `prediction`; empty: not held."
    )
    outside = serializers.ListField(
        child=serializers.CharField(),
        help_text="What lies outside of what it should be, in words; by itself it ends nothing.",
    )
    warnings = serializers.ListField(
        child=serializers.CharField(),
        help_text="Readings that cannot be so, in words; they are kept.",
    )
    wet = serializers.BooleanField(allow_null=True, help_text="The ground; null: not said.")
    meter = serializers.CharField()


class SoakCheckQuery(PageQuery):
    """Which soak checks."""

    due = serializers.BooleanField(default=False, help_text="Those to be done now alone.")
    with_done = serializers.BooleanField(default=False)


class SoakLegNew(StrictSerializer):
    """What a leg reads, the coil out; one of the three at least."""

    leg = Text(max_length=64)
    current_ma = Number(min_value=0, required=False, allow_null=True)
    far_v = Number(min_value=0, required=False, allow_null=True, help_text="At its far end.")
    insulation_mohm = Number(
        min_value=0, required=False, allow_null=True, help_text="To earth, path off."
    )


class SoakCheckEnd(StrictSerializer):
    """What a check came to."""

    state = Choice(choices=_ENDS)
    note = Text(
        max_length=MOST_NOTE,
        required=False,
        allow_blank=True,
        help_text="Asked for with `failed` and `dropped`.",
    )
    legs = serializers.ListField(
        child=SoakLegNew(), max_length=MOST_LEGS, required=False, help_text="Legs that were read."
    )
    terminal_v = Number(min_value=0, required=False, allow_null=True)
    wet = Flag(required=False, allow_null=True, help_text="The ground; null: not said.")
    meter = Text(max_length=120, required=False, allow_blank=True)


class SoakChecks(Resource):
    """Soak checks of the contractor."""

    @described(
        "soak_checks",
        "List soak checks",
        Answer(page_document(SoakCheckDocument)),
        query=SoakCheckQuery,
    )
    def get(self, request: Request) -> Response:
        """Open ones, the soonest first."""
        query = read_query(request, SoakCheckQuery)
        rows = soak_check_list(only_open=not query["with_done"]).prefetch_related("legs")
        if query["due"]:
            rows = rows.filter(pk__in=[check.pk for check in soak_checks_due()])
        return page_response(request, page_of(rows, query, "due_from"), SoakCheckDocument)


class OneSoakCheck(Resource):
    """A soak check."""

    @described(
        "soak_check",
        "A soak check",
        Answer(SoakCheckDocument, tagged=True),
        headers=[IF_NONE_MATCH],
    )
    def get(self, request: Request, public_id: str) -> Response:
        """Which repair it is of, when it is due, what it came to."""
        return _response(request, public_id)


class SoakCheckDone(Resource):
    """Ending a soak check."""

    limit_name = HEAVY

    @described(
        "soak_check_done",
        "Say what a soak check came to",
        Answer(SoakCheckDocument, tagged=True),
        body=SoakCheckEnd,
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """One that failed opens a closed call again. 409: it is done already.

        What was read is held against what a return test would hold it against; `outside` of the
        answer decides nothing: `state` is what whoever looked says.
        """
        check = _get(public_id)
        require_version(request, check.version)
        body = read_body(request, SoakCheckEnd)
        state, note = body.pop("state"), body.pop("note", "")
        legs = tuple(SoakLeg(**row) for row in body.pop("legs", ()))
        soak_check_done(
            check=check,
            state=state,
            note=note,
            readings=SoakReadings(legs, **body),
            version=check.version,
            by=self.actor,
        )
        return _response(request, public_id)


def _get(public_id: str) -> SoakCheck:
    checks = soak_check_list(only_open=False).prefetch_related("legs")
    return one_of(checks, public_id, "soak check")


def _response(request: Request, public_id: str) -> Response:
    check = _get(public_id)
    return versioned_response(request, SoakCheckDocument(check).data, check.version)
