"""A new life of the feed, after a database was put back from a copy."""

from __future__ import annotations

from django.db import transaction

from core.changes.sequencer import FIRST_EPOCH
from core.clock import now
from core.models.accounts import Contractor
from core.models.changes import FeedEpoch
from core.tenancy.scope import contractor_scope, everywhere

LONGEST_REASON = 120


@transaction.atomic
def epochs_begin(reason: str) -> int:
    """End all cursors that were given so far, of every contractor; how many feeds that are.

    A copy lacks what came after it, so positions that readers have seen are given away again: they
    have to read from the start. Raises ValueError without a reason.
    """
    if not 1 <= len(reason.strip()) <= LONGEST_REASON:
        raise ValueError(f"the reason has to hold 1 to {LONGEST_REASON} characters")
    with everywhere(reason="an operator put the database back from a copy"):
        contractors = list(Contractor.objects.order_by("pk").values_list("pk", flat=True))
    for contractor_id in contractors:
        with contractor_scope(contractor_id):
            newest = FeedEpoch.objects.order_by("-number").first()
            number = (newest.number if newest else FIRST_EPOCH) + 1
            FeedEpoch.objects.create(number=number, started_at=now(), reason=reason.strip())
    return len(contractors)
