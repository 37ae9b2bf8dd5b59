"""/jobs: work that is done outside a request."""

from __future__ import annotations

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import Answer, described, page_document
from api.pagination import PageQuery, page_of, page_response, sort_field
from api.resource import Resource
from api.strict import read_query
from core.jobs.ask import job_ask_again, job_cancel
from core.jobs.selectors import job_get, job_list
from core.models.jobs import Job, JobState


class JobDocument(serializers.Serializer[Job]):
    """A piece of work and how far it is."""

    id = serializers.CharField(source="public_id")
    kind = serializers.CharField()
    state = serializers.ChoiceField(choices=JobState.values)
    asked_by = serializers.CharField()
    created_at = serializers.DateTimeField()
    run_after = serializers.DateTimeField(allow_null=True, help_text="Null: at once.")
    started_at = serializers.DateTimeField(allow_null=True)
    ended_at = serializers.DateTimeField(allow_null=True)
    attempts = serializers.IntegerField()
    max_attempts = serializers.IntegerField()
    progress_share = serializers.FloatField(help_text="0 to 1.")
    progress_words = serializers.CharField()
    result = serializers.JSONField(help_text="Whatever the kind of job gives; null until then.")


class JobQuery(PageQuery):
    """Which jobs."""

    sort = sort_field("created_at")
    state = serializers.ChoiceField(choices=JobState.values, required=False)
    kind = serializers.CharField(max_length=60, required=False, default="")


class Jobs(Resource):
    """Jobs of the contractor."""

    @described("jobs", "List jobs", Answer(page_document(JobDocument)), query=JobQuery)
    def get(self, request: Request) -> Response:
        """Jobs, ended ones too."""
        query = read_query(request, JobQuery)
        state = JobState(query["state"]) if "state" in query else None
        page = page_of(job_list(state=state, kind=query["kind"]), query)
        return page_response(request, page, JobDocument)


class OneJob(Resource):
    """A job."""

    @described("job", "A job", Answer(JobDocument))
    def get(self, request: Request, public_id: str) -> Response:  # noqa: ARG002
        """Its state, how far it is, and its result when done."""
        return Response(JobDocument(job_get(public_id)).data)


class JobCancel(Resource):
    """Calling a job off."""

    @described("job_cancel", "Call a job off", Answer(JobDocument))
    def post(self, request: Request, public_id: str) -> Response:  # noqa: ARG002
        """What waits or runs is called off; what has ended is refused."""
        return Response(JobDocument(job_cancel(job=job_get(public_id), by=self.actor)).data)


class JobAskAgain(Resource):
    """Asking anew for a job that died."""

    @described("job_ask_again", "Ask for a job again", Answer(JobDocument))
    def post(self, request: Request, public_id: str) -> Response:  # noqa: ARG002
        """What died or was called off is queued anew."""
        return Response(JobDocument(job_ask_again(job=job_get(public_id), by=self.actor)).data)
