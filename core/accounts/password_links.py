"""Setting a password anew: by oneself, or by a link from an owner that works once, for a day.

The link is signed by Django's generator over the person, their password and their last sign-in, so
that it is over once the password is set, once they sign in, or after ``PASSWORD_RESET_TIMEOUT``.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.conf import settings
from django.contrib.auth.tokens import default_token_generator
from django.db import transaction
from django.urls import reverse

from core.accounts.actor import Actor
from core.accounts.people import check_password
from core.accounts.sign_in import person_actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one
from core.models.accounts import Person
from core.problems import Conflict, IllegalMove
from core.tenancy.scope import contractor_scope, everywhere


@dataclass(frozen=True)
class PasswordLink:
    """Where a password is set anew, on this site, and until when. Its token is not kept."""

    path: str
    expires_at: dt.datetime


@transaction.atomic
def password_link_issue(*, person: Person, by: Actor) -> PasswordLink:
    """A link for a person of the contractor in scope. Raises Conflict for one who works here no
    more."""
    if not person.is_active:
        raise Conflict(f"{person.name} works here no more: let them in again first.")
    token = default_token_generator.make_token(person)
    until = now() + dt.timedelta(seconds=settings.PASSWORD_RESET_TIMEOUT)
    change_record(
        by=by,
        action="person.password-link-issued",
        thing=("person", person.public_id),
        after={"expires_at": until.isoformat()},
    )
    return PasswordLink(reverse("new-password", args=[person.public_id, token]), until)


def password_link_person(public_id: str) -> Person | None:
    """The active person of a link, over all contractors; the token is not looked at here."""
    with everywhere(reason="a password link says no contractor"):
        return Person.objects.filter(public_id=public_id, is_active=True).first()


def password_set_by_link(*, person: Person, token: str, password: str) -> None:
    """Set the password of a person by the token of their link; every session of theirs ends.

    Raises Invalid for a weak password, IllegalMove where the link is over, by now or before.
    """
    with contractor_scope(person.contractor_id), transaction.atomic():
        held = locked_one(person)
        if not held.is_active or not default_token_generator.check_token(held, token):
            raise IllegalMove("This link is over: ask for a new one.", extra={"legal": []})
        _set(held, password)


def password_set_by_oneself(*, person: Person, password: str) -> Person:
    """Set the password of a person of the contractor in scope who has just told the one so far;
    their other sessions end. Answers with the person as kept. Raises Invalid for a weak password.
    """
    with transaction.atomic():
        held = locked_one(person)
        _set(held, password)
    return held


def _set(held: Person, password: str) -> None:
    check_password(password, held.sign_in_name, held.name)
    held.set_password(password)
    held.version += 1
    held.save()
    change_record(
        by=person_actor(held), action="person.password-set", thing=("person", held.public_id)
    )
