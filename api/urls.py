"""Addresses below /api/v1/. Each name has its line in ``api.policy``."""

from __future__ import annotations

from django.urls import path, register_converter
from django.urls.converters import StringConverter

from api.accounts.crews import Crews, OneCrew
from api.accounts.people import Me, OnePerson, People
from api.accounts.tokens import OneToken, TokenRevoke, Tokens
from api.changes import Changes
from api.jobs import JobAskAgain, JobCancel, Jobs, OneJob
from api.schema import SchemaView


class PublicIdConverter(StringConverter):
    """A public id: the prefix of its kind and a ULID."""

    regex = "[a-z]{2,6}_[0-9a-z]{26}"


register_converter(PublicIdConverter, "public_id")

app_name = "api"

urlpatterns = [
    path("me", Me.as_view(), name="me"),
    path("openapi.json", SchemaView.as_view(), name="schema"),
    path("people", People.as_view(), name="people"),
    path("people/<public_id:public_id>", OnePerson.as_view(), name="person"),
    path("crews", Crews.as_view(), name="crews"),
    path("crews/<public_id:public_id>", OneCrew.as_view(), name="crew"),
    path("tokens", Tokens.as_view(), name="tokens"),
    path("tokens/<public_id:public_id>", OneToken.as_view(), name="token"),
    path("tokens/<public_id:public_id>/revoke", TokenRevoke.as_view(), name="token-revoke"),
    path("jobs", Jobs.as_view(), name="jobs"),
    path("jobs/<public_id:public_id>", OneJob.as_view(), name="job"),
    path("jobs/<public_id:public_id>/cancel", JobCancel.as_view(), name="job-cancel"),
    path("jobs/<public_id:public_id>/ask-again", JobAskAgain.as_view(), name="job-ask-again"),
    path("changes", Changes.as_view(), name="changes"),
]
