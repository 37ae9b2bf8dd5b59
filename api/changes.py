"""/changes: what was done by whom, in an order without gaps, for other systems to follow."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import Answer, described
from api.resource import Resource
from api.strict import QuerySerializer, read_query
from core.changes.feed import MOST_AT_ONCE, feed_read


class ChangeActorDocument(serializers.Serializer[Any]):
    """Who did it."""

    kind = serializers.ChoiceField(choices=["person", "token", "system"], source="actor_kind")
    id = serializers.CharField(source="actor_id")
    name = serializers.CharField(source="actor_name")


class ChangedThingDocument(serializers.Serializer[Any]):
    """What it was done to."""

    kind = serializers.CharField(source="object_kind")
    id = serializers.CharField(source="object_id")


class ChangeDocument(serializers.Serializer[Any]):
    """One change at its place in the feed."""

    position = serializers.IntegerField()
    id = serializers.CharField(source="change.public_id")
    at = serializers.DateTimeField(source="change.at")
    action = serializers.CharField(source="change.action")
    actor = ChangeActorDocument(source="change")
    thing = ChangedThingDocument(source="change")
    thread_id = serializers.CharField(
        source="change.thread_id", help_text="Changes of one thread keep their order."
    )
    before = serializers.DictField(source="change.before", allow_null=True)
    after = serializers.DictField(source="change.after", allow_null=True)
    request_id = serializers.CharField(source="change.request_id")
    chain_hash = serializers.CharField()


class ChangeFeedDocument(serializers.Serializer[Any]):
    """Changes in order, and the cursor to read on from; at the end it stays the same."""

    items = ChangeDocument(many=True)
    cursor = serializers.CharField()


class ChangeQuery(QuerySerializer):
    """From where to read on."""

    after = serializers.CharField(
        max_length=40,
        required=False,
        allow_blank=True,
        default="",
        help_text="`cursor` of the answer before.",
    )
    limit = serializers.IntegerField(min_value=1, max_value=MOST_AT_ONCE, default=100)


class Changes(Resource):
    """The feed."""

    @described("changes", "Read the feed of changes", Answer(ChangeFeedDocument), query=ChangeQuery)
    def get(self, request: Request) -> Response:
        """Committed changes after a cursor. 410: the feed was restored, read it from the start."""
        page = feed_read(**read_query(request, ChangeQuery))
        items = ChangeDocument(page.entries, many=True).data
        return Response({"items": items, "cursor": page.cursor})
