"""One effect for a POST that is sent twice with the same Idempotency-Key.

The effect and the answer are stored in one transaction, begun by inserting the key: of any number
of requests with one key one inserts, the others wait for it and find its answer. What fails keeps
nothing, so that a mended request may use the key again.

A handler that computes for long has to do so outside a transaction. It declares
``effect_is_kept_by_itself`` (its service finds a replay by an id of the client), and then the key
is claimed first and the answer added afterwards. Others with the key wait for that answer a while,
and are asked to come again where it takes longer. A crash between leaves a claim; once it is older
than any request takes, its request is simply run again.
"""

from __future__ import annotations

import datetime as dt
import json
import re
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.db.models import QuerySet
from django.utils.crypto import salted_hmac
from rest_framework.request import Request
from rest_framework.response import Response

from api.models.idempotency import KeptAnswer
from api.problem_kinds import UnderWay
from api.retries import with_retries
from core.accounts.actor import Actor
from core.clock import now
from core.problems import Defect, Invalid
from core.tenancy.scope import everywhere

HEADER = "Idempotency-Key"
REPLAYED = "Idempotency-Replayed"
KEPT_FOR = dt.timedelta(hours=48)
WAITED_S = 8.0
"""How long others wait for the answer of the first."""

UNDER_WAY_AT_MOST = dt.timedelta(seconds=60)
"""A claim without an answer that is older was left by a crash."""

_LOOK_EVERY_S = 0.05
_KEPT_HEADERS = ("ETag", "Location")
_FORM = re.compile(r"[\x21-\x7e]{1,200}")


@dataclass(frozen=True)
class KeyUse:
    """How a route uses keys. ``secrets``: members of the answer that are shown once, not kept."""

    effect_is_kept_by_itself: bool = False
    secrets: Collection[str] = ()


Handler = Callable[[], Response]


def answered_once(request: Request, actor: Actor, use: KeyUse, handler: Handler) -> Response:
    """The handler's answer, or the kept one of the same request. Raises Invalid.

    Without a key: the handler's answer.
    """
    key = request.headers.get(HEADER)
    if key is None:
        return handler()
    if _FORM.fullmatch(key) is None:
        raise Invalid(f"{HEADER} has to be 1 to 200 printable ASCII characters without blanks.")
    claim = KeptAnswer(
        actor_id=actor.public_id,
        key=key,
        fingerprint=_fingerprint(request),
        created_at=now(),
    )
    if use.effect_is_kept_by_itself:
        return _claimed_first(claim, use, handler)
    with transaction.atomic():
        before = _earlier(claim)
        if before is not None:
            return _replay(before)
        answer = handler()
        _keep(claim, answer, use)
        return answer


def _claimed_first(claim: KeptAnswer, use: KeyUse, handler: Handler) -> Response:
    until_s = time.monotonic() + WAITED_S
    while (before := _earlier(claim)) is not None:
        before = _answered(before, until_s)
        if before is not None and before.status is not None:
            return _replay(before)
        if before is not None and _taken_over(before):
            break
    held = before or claim
    try:
        answer = handler()
    except Exception:
        if before is None:
            _forget(claim)
        else:
            # Left as it was found: whoever comes next takes it over as this request did.
            _of(held).update(created_at=before.created_at)
        raise
    # Not the whole request again for a busy database: its effect is there.
    with_retries(lambda: _keep(held, answer, use))
    return answer


def _answered(before: KeptAnswer, until_s: float) -> KeptAnswer | None:
    """The claim once it has its answer, or where it is old enough to be taken over; None where it
    is gone, for its request failed. Raises UnderWay where that takes too long."""
    found: KeptAnswer | None = before
    while found is not None and found.status is None:
        if now() - found.created_at > UNDER_WAY_AT_MOST:
            break
        if time.monotonic() > until_s:
            raise UnderWay(
                f"The first request with this {HEADER} is still under way; send it again.",
                headers={"Retry-After": "2"},
            )
        time.sleep(_LOOK_EVERY_S)
        found = KeptAnswer.objects.filter(public_id=before.public_id).first()
    return found


def _taken_over(left: KeptAnswer) -> bool:
    """Whether a claim that a crash left is this request's now; of several one takes it."""
    return bool(_of(left).filter(created_at=left.created_at).update(created_at=now()))


def _of(claim: KeptAnswer) -> QuerySet[KeptAnswer]:
    return KeptAnswer.objects.filter(public_id=claim.public_id, status=None)


def _earlier(claim: KeptAnswer) -> KeptAnswer | None:
    """Insert the claim; what stands there instead, where the key was used before."""
    found = None
    while found is None:
        # ON CONFLICT DO NOTHING waits for whoever inserts the same key until that commits or ends.
        # A request that is refused forgets its claim, maybe just after it stood in the way.
        KeptAnswer.objects.bulk_create([claim], ignore_conflicts=True)
        found = KeptAnswer.objects.filter(actor_id=claim.actor_id, key=claim.key).first()
    if found.public_id == claim.public_id:
        return None
    if found.fingerprint != claim.fingerprint:
        told = f"This {HEADER} was used for another request."
        defect = Defect("", told, "a key of its own for each request")
        raise Invalid(told, defects=[defect])
    return found


def _forget(claim: KeptAnswer) -> None:
    with_retries(_of(claim).delete)


def _keep(claim: KeptAnswer, answer: Response, use: KeyUse) -> None:
    data = answer.data
    if use.secrets:
        data = {name: None if name in use.secrets else value for name, value in data.items()}
    KeptAnswer.objects.filter(public_id=claim.public_id).update(
        status=answer.status_code,
        headers={name: answer[name] for name in _KEPT_HEADERS if name in answer},
        body=json.dumps(data, ensure_ascii=False, default=str),
    )


def _replay(kept: KeptAnswer) -> Response:
    data: Any = json.loads(kept.body)
    return Response(data, kept.status, headers=kept.headers | {REPLAYED: "true"})


def _fingerprint(request: Request) -> str:
    data: Any = request.data
    body = data if isinstance(data, bytes) else json.dumps(data, sort_keys=True).encode()
    whole = b"\n".join([f"{request.method} {request.get_full_path()}".encode(), body])
    # Keyed, for a body may hold a password, and a plain digest of it could be guessed at.
    return salted_hmac("api.idempotency", whole, algorithm="sha256").hexdigest()


def forget_old_answers() -> int:
    """Drop answers past their time, of all contractors; how many."""
    with everywhere(reason="answers are kept for a while, whosever they are"):
        return KeptAnswer.objects.filter(created_at__lt=now() - KEPT_FOR).delete()[0]
