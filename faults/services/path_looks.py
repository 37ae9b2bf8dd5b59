"""Looks at paths without a flag, from the predicted chance of a failure."""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Collection, Mapping
from typing import Any

from django.db.models import Max, QuerySet

from core.accounts.actor import Actor
from faults.history_snapshot import KIND_WORDS, day_of, failures_by_path
from faults.inspection_due import rested, zone_of
from faults.models.trouble import (
    FlagState,
    Inspection,
    InspectionResult,
    InspectionState,
    TroubleFlag,
)
from faults.path_look_due import LastSeen, energised_days_to, path_due_days
from faults.services.inspection_ends import inspection_asked, inspections_withdraw
from faults.trouble_search import PathFigures
from sites.models.wire_path import PathRevision, WirePath
from sites.selectors.paths import live_codes

MOST_PLACES = 12
FLAGGED_WORDS = "A flag was raised on the path: it is looked at for that"
ENDED_WORDS = "The path has ended"

Places = list[dict[str, str]]


def path_looks_ask(
    *, as_of: dt.datetime, by_path: PathFigures, target: float | None, by: Actor
) -> None:
    """Ask for a look at each path whose chance of a failure comes to ``target`` soon, within the
    caller's transaction; None: of no path.

    A path with a live flag is looked at for that flag and gets none here. Open looks at paths that
    are flagged now are withdrawn, and all at paths that have ended.
    """
    live = TroubleFlag.objects.exclude(state=FlagState.CLEARED)
    flagged = set(live.values_list("path", flat=True))
    _withdraw_overtaken(flagged, as_of, by)
    if target is None or not by_path.paths:
        return
    need = energised_days_to(target, by_path)
    paths = _paths_to_ask(as_of).in_bulk(need.keys() - flagged)
    latest = _latest_by_path()
    seen = _last_seen(paths, latest, as_of)
    due = path_due_days({path: need[path] for path in paths}, seen, as_of)
    numbers = dict(_of_paths().values_list("path").annotate(Max("number")))
    begin = _failed_places(due.keys(), as_of)
    for path, moment in sorted(due.items()):
        zone = zone_of(paths[path].controller.property)
        day = moment.astimezone(zone).date()
        look = Inspection(
            property=paths[path].controller.property,
            path=paths[path],
            number=numbers.get(path, 0) + 1,
            places=begin[path],
            due_on=rested(day, latest.get(path), zone),
            chance=target,
        )
        inspection_asked(look=look, by=by)


def path_looks_withdraw(*, why: str, by: Actor) -> None:
    """Open looks at paths without a flag are no longer asked for, within the caller's
    transaction."""
    inspections_withdraw(looks=_open_of_paths(), why=why, by=by)


def _of_paths() -> QuerySet[Inspection]:
    return Inspection.objects.filter(flag__isnull=True)


def _open_of_paths() -> QuerySet[Inspection]:
    return _of_paths().filter(state=InspectionState.OPEN).order_by("pk")


def _withdraw_overtaken(flagged: Collection[int], as_of: dt.datetime, by: Actor) -> None:
    """Looks at flags are withdrawn with their path too: nobody can look at what is gone, and they
    would go on taking room in a week."""
    looks = Inspection.objects.filter(state=InspectionState.OPEN).order_by("pk")
    ended = list(looks.filter(path__ended_at__lte=as_of))
    inspections_withdraw(looks=ended, why=ENDED_WORDS, by=by)
    now_flagged = list(_open_of_paths().filter(path__in=flagged))
    inspections_withdraw(looks=now_flagged, why=FLAGGED_WORDS, by=by)


def _paths_to_ask(as_of: dt.datetime) -> QuerySet[WirePath]:
    """Live paths without an open look."""
    looked_at = Inspection.objects.filter(state=InspectionState.OPEN).values("path")
    rows = WirePath.objects.select_related("controller__property").exclude(pk__in=looked_at)
    return rows.exclude(ended_at__lte=as_of)


def _latest_by_path() -> dict[int, Inspection]:
    """The newest look of each path that was done or skipped, those at its flags too."""
    over = Inspection.objects.filter(state__in=(InspectionState.DONE, InspectionState.SKIPPED))
    newest = over.values("path").annotate(pk_=Max("pk")).values_list("pk_", flat=True)
    return {one.path_id: one for one in Inspection.objects.filter(pk__in=newest)}


def _last_seen(
    paths: Mapping[int, WirePath], latest: Mapping[int, Inspection], as_of: dt.datetime
) -> dict[int, LastSeen]:
    """The last failure of each path, the last look that was done, or its first map."""
    since: dict[int, float] = {}
    first = PathRevision.objects.filter(number=1, at__lte=as_of)
    for path, at in first.values_list("path", "at"):
        since[path] = day_of(at)
    for path, failed in failures_by_path(paths.keys(), as_of).items():
        since[path] = max(since.get(path, 0.0), failed[-1][2])
    done = Inspection.objects.filter(state=InspectionState.DONE, ended_at__isnull=False)
    looked: dict[int, Any] = dict(done.values_list("path").annotate(Max("ended_at")))
    for path, at in looked.items():
        since[path] = max(since.get(path, 0.0), day_of(at))
    return {
        path: LastSeen(
            since[path],
            path in latest and latest[path].result == InspectionResult.WORN,
        )
        for path in paths
        if path in since
    }


def _failed_places(paths: Collection[int], as_of: dt.datetime) -> dict[int, Places]:
    """Where to begin: places of each path that failed and are on its map still, the one that
    failed most first."""
    there = live_codes(paths)
    found: dict[int, Places] = defaultdict(list)
    for path, failed in failures_by_path(paths, as_of).items():
        counts = Counter((KIND_WORDS[kind], code) for kind, code, _ in failed)
        alive = [one for one in counts if one in there[path]]
        alive.sort(key=lambda one: (-counts[one], one))
        found[path] = [{word: code} for word, code in alive[:MOST_PLACES]]
    return found
