"""What holds of every call whatever was done, and the doors through which people try."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from django.core.cache import cache
from django.test import Client

from api.policy import rule_for
from core.accounts.actor import Role, TokenScope
from core.models import Contractor
from faults.models import CallMove, EventKind, FaultCall, FaultEvent, Finding, Repair
from faults.services.as_left import LeftAnswer
from faults.transitions import LEGAL_MOVES, CallState
from tests.api.asking import Asker, signed_in, with_token
from tests.conftest import person_of
from tests.pages.conftest import entered


def closed_calls_have_a_test_or_a_reason() -> None:
    """A closed call names a passed return test that nothing came after, or says why without."""
    for call in FaultCall.objects.select_related("closing_test"):
        test = call.closing_test
        if call.state != CallState.CLOSED:
            assert (test, call.untested_why) == (None, "")
            continue
        assert call.outcome
        assert call.outcome_reason
        if test is None:
            assert call.untested_why
            continue
        assert test.passed
        assert test.call_id == call.pk
        assert not Repair.objects.filter(call=call, pk__gt=test.repair_id or 0).exists()
        messages = FaultEvent.objects.filter(call_links__call=call, kind=EventKind.OVERCURRENT)
        assert not messages.filter(at__gt=test.at).exists()


def found_calls_have_a_proof() -> None:
    for call in FaultCall.objects.filter(state=CallState.FOUND):
        proofs = Finding.objects.filter(trace__call=call, proved=True)
        assert proofs.filter(superseded_at__isnull=True).exists()


def every_move_was_legal_and_follows_the_one_before() -> None:
    at: dict[int, str] = {}
    for move in CallMove.objects.order_by("pk"):
        assert move.from_state == at.get(move.call_id, "")
        if move.from_state:
            assert move.to_state in LEGAL_MOVES[CallState(move.from_state)]
        at[move.call_id] = move.to_state
    assert at == {call.pk: call.state for call in FaultCall.objects.all()}


def one_call_is_open_a_path() -> None:
    paths = list(
        FaultCall.objects.filter(closed_at__isnull=True, path__isnull=False).values_list(
            "path", flat=True
        )
    )
    assert len(paths) == len(set(paths))


@dataclass(frozen=True)
class Door:
    """Somebody with a role or a scope, over HTTP (``asker``) and on pages (``browser``)."""

    name: str
    may: bool
    asker: Asker
    browser: Client | None = None

    def move(
        self, call: FaultCall, tag: str, said: dict[str, Any], left: Sequence[LeftAnswer]
    ) -> int:
        """Move a call over HTTP; the status."""
        cache.clear()
        body = {name: value for name, value in said.items() if value}
        if left:
            body["left"] = [asdict(one) for one in left]
        answer = self.asker.post(f"/calls/{call.public_id}/moves", body, If_Match=tag)
        return int(answer.status_code)

    def close_on_the_page(
        self, call: FaultCall, said: dict[str, str], left: Sequence[LeftAnswer]
    ) -> int:
        """Close a call by the form of its page; the status."""
        cache.clear()
        assert self.browser is not None
        fields = said | {"version": str(call.version)}
        for one in left:
            fields |= {f"left_{one.item}": one.answer, f"left_why_{one.item}": one.why}
        return int(self.browser.post(f"/calls/{call.public_id}/close", fields).status_code)

    def tag(self, call: FaultCall) -> str:
        """The entity tag of a call as it is now; empty for whoever may not read."""
        cache.clear()
        return str(self.asker.get(f"/calls/{call.public_id}").headers.get("ETag", ""))


def doors(contractor: Contractor) -> list[Door]:
    """One for each role and each scope of a machine."""
    rule = rule_for("call-moves", "POST")
    assert rule is not None
    people = [(role, person_of(contractor, role, f"Trier {role}")) for role in Role]
    return [
        *(
            Door(role.value, role in rule.roles, signed_in(one), entered(one))
            for role, one in people
        ),
        *(
            Door(scope.value, scope in rule.scopes, with_token(contractor, [scope]))
            for scope in TokenScope
        ),
    ]
