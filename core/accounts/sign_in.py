"""Signing people in with a name and a password."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.backends import BaseBackend
from django.contrib.auth.hashers import make_password
from django.http import HttpRequest

from core.accounts.actor import Actor
from core.models.accounts import Person
from core.tenancy.scope import everywhere


class PersonBackend(BaseBackend):
    """Finds people over all contractors, for a sign-in says no contractor."""

    def authenticate(
        self,
        request: HttpRequest | None,  # noqa: ARG002 - what Django calls it with
        username: str | None = None,
        password: str | None = None,
        **_: Any,
    ) -> Person | None:
        """The person of this name and password; None otherwise, after as long a time."""
        if username is None or password is None:
            return None
        with everywhere(reason="a sign-in says no contractor"):
            person = Person.objects.filter(sign_in_name=username).first()
            if person is None:
                make_password(password)
                return None
            right = person.check_password(password)
        return person if right and person.is_active else None

    def get_user(self, user_id: int) -> Person | None:
        """The person of a session, while active."""
        with everywhere(reason="a session says no contractor"):
            return Person.objects.filter(pk=user_id, is_active=True).first()


def person_actor(person: Person) -> Actor:
    """The person as who acts."""
    return Actor(
        kind="person",
        public_id=person.public_id,
        name=person.name,
        contractor_id=person.contractor_id,
        roles=person.roles,
        person_id=person.pk,
    )
