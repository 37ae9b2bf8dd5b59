"""Reading the feed of changes from a cursor on, and proving that its chain is whole."""

from __future__ import annotations

import re
from dataclasses import dataclass

from core.changes.sequencer import FIRST_EPOCH, FIRST_HASH, chain_hash
from core.models.changes import FeedEntry, FeedEpoch
from core.problems import Defect, Gone, Invalid

MOST_AT_ONCE = 500


@dataclass(frozen=True)
class FeedPage:
    """Entries in order and the cursor to go on from; at the end it is the same again."""

    entries: tuple[FeedEntry, ...]
    cursor: str


def feed_read(*, after: str = "", limit: int = 100) -> FeedPage:
    """Entries after the cursor ``after`` (empty: from the start), at most ``limit``.

    Raises Invalid for what is no cursor and Gone for a cursor of an earlier life of the feed or
    beyond its end.
    """
    epoch = _epoch_number()
    position = 0
    if after:
        found = re.fullmatch(r"(\d{1,9})\.(\d{1,18})", after)
        if found is None:
            defect = Defect(
                "/after", f"{after[:40]!r} is no cursor", "the cursor of an earlier page"
            )
            raise Invalid("The cursor cannot be read.", defects=[defect])
        if int(found[1]) != epoch:
            raise Gone(
                "The feed was restored from a copy since this cursor was given; read it from"
                " the start and compare with what you have."
            )
        position = int(found[2])
        last = FeedEntry.objects.order_by("-position").values_list("position", flat=True).first()
        if position > (last or 0):
            raise Gone(
                "The feed has no such place: it was put back from a copy, or the cursor is of"
                " another feed; read it from the start and compare with what you have."
            )
    limit = max(1, min(limit, MOST_AT_ONCE))
    rows = FeedEntry.objects.select_related("change").filter(position__gt=position)
    entries = tuple(rows.order_by("position")[:limit])
    end = entries[-1].position if entries else position
    return FeedPage(entries, f"{epoch}.{end}")


def _epoch_number() -> int:
    newest = FeedEpoch.objects.order_by("-number").values_list("number", flat=True).first()
    return newest or FIRST_EPOCH


def chain_first_break() -> int | None:
    """The first position of the contractor's feed whose link does not hold; None: it is whole."""
    link = FIRST_HASH
    rows = FeedEntry.objects.select_related("change").order_by("position").iterator(2000)
    for expected, entry in enumerate(rows, start=1):
        link = chain_hash(link, entry.position, entry.change)
        if entry.position != expected or entry.chain_hash != link:
            return expected
    return None
