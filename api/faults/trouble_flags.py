"""/trouble-flags: places and stretches that fail more than their peers; /recurrence-runs."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.jobs import JobDocument
from api.pagination import PageQuery, page_of, page_response, sort_field
from api.preconditions import require_version, versioned_response
from api.resource import Resource
from api.sites.controllers import LabelledDocument
from api.sites.properties import NamedDocument
from api.strict import Choice, StrictSerializer, Text, read_body, read_query
from faults.models.trace import Finding
from faults.models.trouble import FlagMove, FlagState, RecurrenceRun, TroubleFlag
from faults.recurrence.flag_renewal import FlagRenewal
from faults.selectors.trouble import (
    flag_failures,
    flag_get,
    flag_list,
    flag_moves,
    flag_renewal_of,
    run_get,
    run_list,
)
from faults.services.recurrence_runs import run_ask
from faults.services.trouble_flags import CLEARED, MOST_WHY, WATCHED, flag_move


class LimitsDocument(serializers.Serializer[dict[str, float]]):
    """A median with its 95 % limits."""

    low = serializers.FloatField()
    median = serializers.FloatField()
    high = serializers.FloatField()


class RenewalPaysDocument(serializers.Serializer[dict[str, float]]):
    """The chance that renewing pays at a price."""

    price_repairs = serializers.FloatField(help_text="In repairs.")
    chance = serializers.FloatField()


class FlagRenewalDocument(serializers.Serializer[dict[str, Any]]):
    """Repair or renew: failures to expect either way."""

    years = serializers.FloatField(help_text="Energised years ahead.")
    failures_repairing = LimitsDocument()
    failures_renewing = LimitsDocument(help_text="Renewed it is as its peers.")
    failures_saved = LimitsDocument(
        help_text="The price of renewing, in repairs, up to which it pays."
    )
    pays = RenewalPaysDocument(many=True)


def _renewal(told: FlagRenewal) -> dict[str, Any]:
    names = ("low", "median", "high")
    return {
        "years": told.years,
        "failures_repairing": dict(zip(names, told.repairing, strict=True)),
        "failures_renewing": dict(zip(names, told.renewing, strict=True)),
        "failures_saved": dict(zip(names, told.saved, strict=True)),
        "pays": [{"price_repairs": price, "chance": chance} for price, chance in told.pays],
    }


class TroubleFlagDocument(serializers.Serializer[TroubleFlag]):
    """A place or stretch that fails more than its peers, as the latest run saw it."""

    id = serializers.CharField(source="public_id")
    property = NamedDocument(source="path.controller.property")
    path = LabelledDocument()
    kind = serializers.CharField(help_text="`place` or `stretch`.")
    state = serializers.ChoiceField(choices=FlagState.values)
    places = serializers.JSONField(help_text="Places in the words of the forms.")
    evidence = serializers.JSONField(
        help_text="Failures, what peers expect, p, q, ratio with limits, posterior, the peers."
    )
    renewal = serializers.SerializerMethodField()
    raised_at = serializers.DateTimeField()
    cleared_at = serializers.DateTimeField(allow_null=True)
    quiet_since = serializers.DateTimeField(
        allow_null=True, help_text="From then on it no longer stood out."
    )
    run = serializers.CharField(source="run.public_id")

    @extend_schema_field(FlagRenewalDocument(allow_null=True))
    def get_renewal(self, flag: TroubleFlag) -> dict[str, Any] | None:
        """From the evidence."""
        told = flag_renewal_of(flag)
        return None if told is None else FlagRenewalDocument(_renewal(told)).data


class FlagEventDocument(serializers.Serializer[Finding]):
    """A proved failure that counts in a flag's evidence."""

    finding = serializers.CharField(source="public_id")
    trace = serializers.CharField(source="trace.public_id")
    call = serializers.CharField(source="trace.call.public_id")
    place = serializers.DictField(source="at", help_text="A place in the words of the forms.")
    kind = serializers.CharField()
    made_at = serializers.DateTimeField()
    superseded_at = serializers.DateTimeField(
        allow_null=True, help_text="Set aside since the run that counted it; null: it stands."
    )


class FlagMoveDocument(serializers.Serializer[FlagMove]):
    """A step in a flag's life."""

    from_state = serializers.CharField()
    to_state = serializers.CharField()
    at = serializers.DateTimeField()
    why = serializers.CharField()
    by_name = serializers.CharField()
    evidence = serializers.JSONField()


class TroubleFlagQuery(PageQuery):
    """Which flags."""

    sort = sort_field("raised_at")
    with_cleared = serializers.BooleanField(default=False)


class FlagMoveNew(StrictSerializer):
    """Where to move a flag, and why."""

    to = Choice(choices=[WATCHED, CLEARED])
    why = Text(max_length=MOST_WHY)


class TroubleFlags(Resource):
    """Trouble flags of the contractor."""

    @described(
        "trouble_flags",
        "List trouble flags",
        Answer(page_document(TroubleFlagDocument)),
        query=TroubleFlagQuery,
    )
    def get(self, request: Request) -> Response:
        """Those that are not cleared; `with_cleared` gives all."""
        query = read_query(request, TroubleFlagQuery)
        rows = flag_list(with_cleared=query["with_cleared"])
        return page_response(request, page_of(rows, query), TroubleFlagDocument)


class OneTroubleFlag(Resource):
    """A trouble flag."""

    @described(
        "trouble_flag",
        "A trouble flag",
        Answer(TroubleFlagDocument, tagged=True),
        headers=[IF_NONE_MATCH],
    )
    def get(self, request: Request, public_id: str) -> Response:
        """Where it is, and the evidence of the latest run."""
        return _response(request, flag_get(public_id))


class TroubleFlagEvents(Resource):
    """What a flag's evidence is made of."""

    @described(
        "trouble_flag_events",
        "The failures of a flag",
        Answer(page_document(FlagEventDocument)),
        query=PageQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """Each proved failure that the latest run counted, in the order of time; as many as the
        evidence says. Empty for a flag of before they were kept, until the next run."""
        rows = flag_failures(flag_get(public_id))
        return page_response(
            request, page_of(rows, read_query(request, PageQuery), "made_at"), FlagEventDocument
        )


class TroubleFlagMoves(Resource):
    """A flag's life."""

    @described(
        "trouble_flag_moves",
        "A flag's life",
        Answer(page_document(FlagMoveDocument)),
        query=PageQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """Raised, watched, cleared: when, by whom, why, and with which evidence."""
        rows = flag_moves(flag_get(public_id))
        return page_response(
            request, page_of(rows, read_query(request, PageQuery), "id"), FlagMoveDocument
        )

    @described(
        "trouble_flag_move",
        "Watch or clear a flag",
        Answer(TroubleFlagDocument, 201, tagged=True),
        body=FlagMoveNew,
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """A cleared one comes back only with a new failure. 409 tells where it may go."""
        flag = flag_get(public_id)
        require_version(request, flag.version)
        body = read_body(request, FlagMoveNew)
        flag_move(flag=flag, **body, version=flag.version, by=self.actor)
        return _response(request, flag_get(public_id), 201)


class RecurrenceRunDocument(serializers.Serializer[RecurrenceRun]):
    """A run over the contractor's history, as known at `as_of`."""

    id = serializers.CharField(source="public_id")
    job = serializers.CharField(source="job.public_id", default=None, allow_null=True)
    as_of = serializers.DateTimeField()
    ended_at = serializers.DateTimeField()
    engine = serializers.CharField(help_text="Version of the reckoning.")
    parameters = serializers.JSONField()
    paths = serializers.IntegerField()
    paths_tallied = serializers.IntegerField(help_text="Paths of which something new was known.")
    units = serializers.IntegerField()
    failures = serializers.IntegerField()
    left_out = serializers.IntegerField(help_text="Failures of places never energised.")
    seen = serializers.CharField(help_text="A digest of what it saw.")
    found = serializers.CharField(help_text="A digest of what it found.")
    rates = serializers.DictField(
        help_text="What traces weigh places by. `kinds`: of each kind of place, failures per unit "
        "of dry-equivalent exposure and the spread of single rates with and without what is "
        "flagged; `state_factors`: of dry and wet ground and of storms; `stretches`: the strongest "
        "one of each path scanned, flagged or not, and the scan's adjusted p-value (`q`). "
        "Empty in older runs."
    )
    flags_found = serializers.IntegerField()
    overtaken = serializers.BooleanField(help_text="A later run had ended before: no flag moved.")


class RecurrenceRuns(Resource):
    """Runs of the contractor."""

    @described(
        "recurrence_runs",
        "List runs",
        Answer(page_document(RecurrenceRunDocument)),
        query=PageQuery,
    )
    def get(self, request: Request) -> Response:
        """The newest first."""
        page = page_of(run_list(), read_query(request, PageQuery), "-id")
        return page_response(request, page, RecurrenceRunDocument)

    @described("recurrence_run_ask", "Ask for a run as of now", Answer(JobDocument, 202))
    def post(self, request: Request) -> Response:  # noqa: ARG002
        """The job that does it. 409: one is on its way."""
        return Response(JobDocument(run_ask(by=self.actor)).data, 202)


class OneRecurrenceRun(Resource):
    """A run."""

    @described("recurrence_run", "A run", Answer(RecurrenceRunDocument))
    def get(self, request: Request, public_id: str) -> Response:  # noqa: ARG002
        """What it saw, with which parameters, and how much it found."""
        return Response(RecurrenceRunDocument(run_get(public_id)).data)


def _response(request: Request, flag: TroubleFlag, status: int = 200) -> Response:
    return versioned_response(request, TroubleFlagDocument(flag).data, flag.version, status)
