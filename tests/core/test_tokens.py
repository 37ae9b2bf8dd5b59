"""Machine tokens: shown once, kept as a digest, scoped, ending, revoked at once."""

from __future__ import annotations

import datetime as dt

import pytest
import time_machine

from core.accounts.actor import Actor, TokenScope
from core.accounts.tokens import token_actor, token_issue, token_revoke
from core.models import Change, MachineToken
from core.problems import Invalid

MONTH = dt.timedelta(days=30)


def test_a_secret_is_its_holders_and_is_not_kept(by: Actor) -> None:
    token, secret = token_issue(
        name="gateway", scopes=[TokenScope.EVENTS, TokenScope.READ], lifetime=MONTH, by=by
    )
    actor = token_actor(secret)
    assert actor is not None
    assert (actor.kind, actor.public_id, actor.contractor_id) == (
        "token",
        token.public_id,
        by.contractor_id,
    )
    assert actor.scopes == {TokenScope.EVENTS, TokenScope.READ}
    assert actor.roles == frozenset()
    kept = MachineToken.objects.values().get()
    assert secret not in str(kept)
    assert secret not in str(list(Change.objects.values()))
    # 256 bits in base64 are 43 letters.
    assert len(secret) == len("clt_") + 43


@pytest.mark.parametrize("secret", ["", "clt_", "clt_" + "A" * 43, "Bearer", "x" * 47])
def test_another_secret_is_nobodys(by: Actor, secret: str) -> None:
    token_issue(name="gateway", scopes=[TokenScope.READ], lifetime=MONTH, by=by)
    assert token_actor(secret) is None


def test_a_token_ends(by: Actor) -> None:
    _, secret = token_issue(name="gateway", scopes=[TokenScope.READ], lifetime=MONTH, by=by)
    with time_machine.travel(dt.datetime.now(dt.UTC) + MONTH - dt.timedelta(minutes=1)):
        assert token_actor(secret) is not None
    with time_machine.travel(dt.datetime.now(dt.UTC) + MONTH):
        assert token_actor(secret) is None


def test_a_revoked_token_is_over_at_once_and_is_told_once(by: Actor) -> None:
    token, secret = token_issue(name="gateway", scopes=[TokenScope.READ], lifetime=MONTH, by=by)
    token_revoke(token=token, by=by)
    token_revoke(token=token, by=by)
    assert token_actor(secret) is None
    assert Change.objects.filter(action="token.revoked").count() == 1


@pytest.mark.parametrize(
    ("scopes", "lifetime"),
    [([], MONTH), ([TokenScope.READ], dt.timedelta(0)), ([TokenScope.READ], 13 * MONTH)],
)
def test_a_token_without_limits_is_refused(
    by: Actor, scopes: list[TokenScope], lifetime: dt.timedelta
) -> None:
    with pytest.raises(Invalid):
        token_issue(name="gateway", scopes=scopes, lifetime=lifetime, by=by)
    assert not MachineToken.objects.exists()
