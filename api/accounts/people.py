"""/people and /me: who works for the contractor, and who is asking."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.idempotency import KeyUse
from api.pagination import PageQuery, page_of, page_response, sort_field
from api.preconditions import require_version, versioned_response
from api.resource import Resource
from api.strict import Choice, Flag, Secret, StrictSerializer, Text, read_body, read_query
from core.accounts.actor import Role, TokenScope
from core.accounts.directory import person_get, person_list
from core.accounts.edits import person_update
from core.accounts.password_links import password_link_issue
from core.accounts.people import person_create
from core.models.accounts import Person


class RolesField(serializers.ListField):
    """Roles, each once."""

    child = Choice(choices=Role.values)

    def __init__(self, **options: Any) -> None:
        super().__init__(**{"max_length": len(Role)} | options)

    def to_representation(self, data: Any) -> list[str]:
        """Always in the same order."""
        return sorted(data)


class PersonDocument(serializers.Serializer[Person]):
    """Somebody who works for the contractor."""

    id = serializers.CharField(source="public_id")
    name = serializers.CharField()
    sign_in_name = serializers.CharField()
    roles = RolesField()
    is_active = serializers.BooleanField(help_text="False: cannot sign in.")
    created_at = serializers.DateTimeField()


class PersonNew(StrictSerializer):
    """A person to be."""

    name = Text(max_length=120)
    sign_in_name = Text(max_length=120)
    password = Secret(max_length=128, help_text="At least 12 characters, none of the usual ones.")
    roles = RolesField(allow_empty=False)


class PersonEdit(StrictSerializer):
    """What to change of a person; what is absent stays."""

    name = Text(max_length=120, required=False)
    roles = RolesField(required=False)
    is_active = Flag(required=False)


class PeopleQuery(PageQuery):
    """Which people."""

    sort = sort_field("name")
    is_active = serializers.BooleanField(required=False)


class MeDocument(serializers.Serializer[Any]):
    """Who is asking, and what they may do."""

    kind = serializers.ChoiceField(choices=["person", "token"])
    id = serializers.CharField(source="public_id")
    name = serializers.CharField()
    roles = RolesField()
    scopes = serializers.ListField(child=serializers.ChoiceField(choices=TokenScope.values))


class Me(Resource):
    """Who is asking."""

    @described("me", "Who is asking", Answer(MeDocument))
    def get(self, request: Request) -> Response:  # noqa: ARG002 - the framework's form
        """The person of the session, or the token."""
        who = {
            "kind": self.actor.kind,
            "public_id": self.actor.public_id,
            "name": self.actor.name,
            "roles": self.actor.roles,
            "scopes": sorted(self.actor.scopes),
        }
        return Response(MeDocument(who).data)


class People(Resource):
    """People of the contractor."""

    @described("people", "List people", Answer(page_document(PersonDocument)), query=PeopleQuery)
    def get(self, request: Request) -> Response:
        """People, those who can no longer sign in too."""
        query = read_query(request, PeopleQuery)
        page = page_of(person_list(is_active=query.get("is_active")), query)
        return page_response(request, page, PersonDocument)

    @described(
        "person_create",
        "Take on a person",
        Answer(PersonDocument, 201, tagged=True),
        body=PersonNew,
    )
    def post(self, request: Request) -> Response:
        """Somebody who can sign in from now on."""
        body = read_body(request, PersonNew)
        roles = [Role(word) for word in body.pop("roles")]
        return _person_response(request, person_create(roles=roles, by=self.actor, **body), 201)


class OnePerson(Resource):
    """A person."""

    @described("person", "A person", Answer(PersonDocument, tagged=True), headers=[IF_NONE_MATCH])
    def get(self, request: Request, public_id: str) -> Response:
        """The person, with the ETag that an edit needs."""
        return _person_response(request, person_get(public_id))

    @described(
        "person_update",
        "Change a person",
        Answer(PersonDocument, tagged=True),
        body=PersonEdit,
        headers=[IF_MATCH],
    )
    def patch(self, request: Request, public_id: str) -> Response:
        """Give other roles, rename, or end access; it holds from the person's next request on."""
        person = person_get(public_id)
        require_version(request, person.version)
        body = read_body(request, PersonEdit)
        if "roles" in body:
            body["roles"] = [Role(word) for word in body["roles"]]
        return _person_response(request, person_update(person=person, by=self.actor, **body))


class PasswordLinkDocument(serializers.Serializer[Any]):
    """Where somebody sets their password anew, shown this once."""

    link = serializers.CharField(help_text="Works once; give it to that person alone.")
    expires_at = serializers.DateTimeField()


class PersonPasswordLink(Resource):
    """A new password for a person."""

    key_use = KeyUse(secrets=("link",))

    @described(
        "person_password_link",
        "Make a link for a new password",
        Answer(PasswordLinkDocument, 201),
    )
    def post(self, request: Request, public_id: str) -> Response:
        """Works once and for a day, and not after their next sign-in. Where it is used, every
        session of theirs ends. 409: they work here no more."""
        made = password_link_issue(person=person_get(public_id), by=self.actor)
        link = {"link": request.build_absolute_uri(made.path), "expires_at": made.expires_at}
        return Response(PasswordLinkDocument(link).data, 201)


def _person_response(request: Request, person: Person, status: int = 200) -> Response:
    return versioned_response(request, PersonDocument(person).data, person.version, status)
