"""Reading what is left on paths: for every page, and for the hand-over."""

from __future__ import annotations

from django.db.models import Count, QuerySet

from faults.models.as_left import AsLeftAnswer, AsLeftItem
from faults.models.call import FaultCall
from sites.models.wire_path import WirePath


def as_left_list(path: WirePath | None = None) -> QuerySet[AsLeftItem]:
    """What is left on a path or on all, the oldest first; path, property and call joined: one
    query."""
    items = AsLeftItem.objects.select_related("path__controller__property", "call")
    items = items.filter(restored_at__isnull=True).order_by("pk")
    return items if path is None else items.filter(path=path)


def as_left_counts(paths: list[WirePath]) -> dict[int, int]:
    """How many things are left on each of these paths, by primary key: one query."""
    rows = AsLeftItem.objects.filter(path__in=paths, restored_at__isnull=True)
    counts = rows.order_by().values("path").annotate(count=Count("pk"))
    return {row["path"]: row["count"] for row in counts}


def as_left_answers(call: FaultCall) -> QuerySet[AsLeftAnswer]:
    """What was said of things left when the call was left or closed, the oldest first: one
    query."""
    return AsLeftAnswer.objects.filter(call=call).select_related("item").order_by("pk")
