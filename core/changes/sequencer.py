"""Giving committed changes their places in the feed, without gaps."""

from __future__ import annotations

import hashlib
import json

from django.db import transaction

from core.clock import now
from core.locking import lock_name
from core.models.changes import Change, FeedEntry, FeedEpoch, UnsequencedChange
from core.tenancy.scope import contractor_scope, everywhere

AT_ONCE = 500
FIRST_EPOCH = 1
FIRST_HASH = "0" * 64


def sequence_changes() -> int:
    """Place what waits, of every contractor; how many changes were placed."""
    with everywhere(reason="the sequencer serves all contractors"):
        waiting = set(UnsequencedChange.objects.values_list("contractor_id", flat=True).distinct())
    return sum(_sequence_contractor(contractor_id) for contractor_id in sorted(waiting))


def _sequence_contractor(contractor_id: int) -> int:
    placed = 0
    with contractor_scope(contractor_id):
        while True:
            batch = _place_batch(contractor_id)
            placed += batch
            if batch < AT_ONCE:
                return placed


@transaction.atomic
def _place_batch(contractor_id: int) -> int:
    # One sequencer at a time a contractor, or two would give the same position away.
    lock_name(f"feed of contractor {contractor_id}")
    waiting = list(UnsequencedChange.objects.select_related("change").order_by("change")[:AT_ONCE])
    if not waiting:
        return 0
    _begin_first_epoch()
    last = FeedEntry.objects.order_by("-position").first()
    position, link = (last.position, last.chain_hash) if last else (0, FIRST_HASH)
    entries = []
    for row in waiting:
        position += 1
        link = chain_hash(link, position, row.change)
        entries.append(FeedEntry(position=position, change=row.change, chain_hash=link))
    FeedEntry.objects.bulk_create(entries)
    UnsequencedChange.objects.filter(pk__in=[row.pk for row in waiting]).delete()
    return len(entries)


def _begin_first_epoch() -> None:
    if not FeedEpoch.objects.exists():
        FeedEpoch.objects.create(number=FIRST_EPOCH, started_at=now(), reason="first")


def chain_hash(before: str, position: int, change: Change) -> str:
    """The link of a change to all before it: a digest over its payload's digest."""
    payload = json.dumps(
        [change.action, change.object_id, change.actor_id, change.before, change.after],
        sort_keys=True,
        separators=(",", ":"),
    )
    digest = hashlib.sha256(payload.encode()).hexdigest()
    line = f"{before}|{position}|{change.public_id}|{change.at.isoformat()}|{digest}"
    return hashlib.sha256(line.encode()).hexdigest()
