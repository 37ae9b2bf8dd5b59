"""/tokens: what other systems present instead of signing in."""

from __future__ import annotations

import datetime as dt
from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import Answer, described, page_document
from api.idempotency import KeyUse
from api.pagination import PageQuery, page_of, page_response
from api.resource import Resource
from api.strict import Choice, StrictSerializer, Text, Whole, read_body, read_query
from core.accounts.actor import TokenScope
from core.accounts.directory import token_get, token_list
from core.accounts.tokens import token_issue, token_revoke
from core.models.accounts import MachineToken


class TokenDocument(serializers.Serializer[MachineToken]):
    """A token without its secret."""

    id = serializers.CharField(source="public_id")
    name = serializers.CharField()
    scopes = serializers.ListField(child=serializers.ChoiceField(choices=TokenScope.values))
    created_at = serializers.DateTimeField()
    expires_at = serializers.DateTimeField()
    revoked_at = serializers.DateTimeField(allow_null=True)


class IssuedTokenDocument(TokenDocument):
    """A new token. Its secret is in this answer alone; sent again with its key, it is null."""

    secret = serializers.CharField(allow_null=True)


class TokenNew(StrictSerializer):
    """A token to be."""

    name = Text(max_length=80)
    scopes = serializers.ListField(
        child=Choice(choices=TokenScope.values), allow_empty=False, max_length=len(TokenScope)
    )
    lifetime_days = Whole(min_value=1, max_value=366)


class Tokens(Resource):
    """Tokens of the contractor."""

    key_use = KeyUse(secrets=("secret",))

    @described("tokens", "List tokens", Answer(page_document(TokenDocument)), query=PageQuery)
    def get(self, request: Request) -> Response:
        """Tokens, those that ended too."""
        page = page_of(token_list(), read_query(request, PageQuery))
        return page_response(request, page, TokenDocument)

    @described("token_issue", "Issue a token", Answer(IssuedTokenDocument, 201), body=TokenNew)
    def post(self, request: Request) -> Response:
        """A new token; keep its secret now, it cannot be shown again."""
        body = read_body(request, TokenNew)
        token, secret = token_issue(
            name=body["name"],
            scopes={TokenScope(word) for word in body["scopes"]},
            lifetime=dt.timedelta(days=body["lifetime_days"]),
            by=self.actor,
        )
        shown: dict[str, Any] = TokenDocument(token).data | {"secret": secret}
        return Response(shown, 201)


class OneToken(Resource):
    """A token."""

    @described("token", "A token", Answer(TokenDocument))
    def get(self, request: Request, public_id: str) -> Response:  # noqa: ARG002
        """The token without its secret."""
        return Response(TokenDocument(token_get(public_id)).data)


class TokenRevoke(Resource):
    """Ending a token."""

    @described("token_revoke", "Revoke a token", Answer(TokenDocument))
    def post(self, request: Request, public_id: str) -> Response:  # noqa: ARG002
        """It is refused from now on; revoking it again changes nothing."""
        token_revoke(token=token_get(public_id), by=self.actor)
        return Response(TokenDocument(token_get(public_id)).data)
