"""Machine tokens: 256 random bits, shown once, kept as a digest, scoped, ending."""

from __future__ import annotations

import datetime as dt
import hashlib
import secrets
from collections.abc import Collection

from django.db import transaction

from core.accounts.actor import Actor, TokenScope
from core.changes.record import change_record
from core.clock import now
from core.models.accounts import MachineToken
from core.problems import Invalid
from core.tenancy.scope import everywhere
from core.text_checks import name_defects, refuse_defects

MARK = "clt_"
"""Starts every token, so that one left in a file is recognised."""
SECRET_BYTES = 32
MOST_NAME = 80
LONGEST = dt.timedelta(days=366)


@transaction.atomic
def token_issue(
    *, name: str, scopes: Collection[TokenScope], lifetime: dt.timedelta, by: Actor
) -> tuple[MachineToken, str]:
    """A new token and its secret, which is not kept and cannot be shown again.

    Raises Invalid for no scope, a lifetime of none or over 366 days, a name that shows nothing.
    """
    refuse_defects("token", name_defects("/name", name, MOST_NAME))
    if not scopes:
        raise Invalid("A token needs at least one scope.")
    if not dt.timedelta(0) < lifetime <= LONGEST:
        raise Invalid("A token lives for 1 to 366 days.")
    secret = MARK + secrets.token_urlsafe(SECRET_BYTES)
    token = MachineToken.objects.create(
        name=name,
        secret_digest=_digest(secret),
        scopes=sorted(scope.value for scope in scopes),
        created_at=now(),
        expires_at=now() + lifetime,
    )
    change_record(
        by=by,
        action="token.issued",
        thing=("token", token.public_id),
        after={"name": name, "scopes": token.scopes, "expires_at": token.expires_at.isoformat()},
    )
    return token, secret


@transaction.atomic
def token_revoke(*, token: MachineToken, by: Actor) -> None:
    """End a token at once; ending it again changes nothing."""
    done = MachineToken.objects.filter(pk=token.pk, revoked_at=None).update(revoked_at=now())
    if done:
        change_record(by=by, action="token.revoked", thing=("token", token.public_id))


def token_actor(secret: str) -> Actor | None:
    """Who holds this secret; None for an unknown, ended or revoked one."""
    if not secret.startswith(MARK):
        return None
    with everywhere(reason="a request with a token says no contractor"):
        token = MachineToken.objects.filter(secret_digest=_digest(secret)).first()
    if token is None or token.revoked_at is not None or token.expires_at <= now():
        return None
    return Actor(
        kind="token",
        public_id=token.public_id,
        name=token.name,
        contractor_id=token.contractor_id,
        scopes=token.granted,
    )


def _digest(secret: str) -> str:
    # 256 random bits need no slow hash: there is nothing to guess.
    return hashlib.sha256(secret.encode()).hexdigest()
