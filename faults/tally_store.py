"""Tallies of paths kept between runs: marks that tell whether one still holds, and their bytes."""

from __future__ import annotations

import datetime as dt
import hashlib
import struct
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
from django.db.models import Count, Max, Q

from faults.history_snapshot import (
    SWITCHED,
    WEATHER,
    Ground,
    PathHistory,
    path_histories,
    standing_findings,
)
from faults.models.event import FaultEvent
from faults.models.trouble import PathTallyRow
from faults.recurrence.path_tally import PathTally
from faults.recurrence.state_clock import StateClock
from sites.models.controller import Season
from sites.models.wire_path import PathRevision, WirePath

LAYOUT = "1"
"""Raised when what a tally holds or how it is packed changes: then all are made anew."""

PATHS_AT_ONCE = 100
_READ_AT_ONCE = 500

Kept = tuple[PathTally, StateClock]


def path_marks(as_of: dt.datetime, ground: Ground) -> dict[int, str]:
    """A mark for each path that had a map by then: it changes when something new is known of it.

    Seven grouped queries, whatever the number of paths. Events are never altered, so how many
    there are and the newest tell which they are.
    """
    told: dict[int, list[object]] = defaultdict(list)
    revisions = PathRevision.objects.filter(at__lte=as_of)
    for path, count in revisions.values_list("path").annotate(Count("pk")).order_by("path"):
        told[path].append(count)
    for path, pk in standing_findings(as_of).order_by("pk").values_list("trace__path", "pk"):
        told[path].append(pk)
    known = FaultEvent.objects.filter(
        received_at__lte=as_of, at__lte=as_of, kind__in=(*WEATHER, *SWITCHED)
    )
    events: dict[tuple[int, int | None, int | None], tuple[int, int]] = {}
    grouped = known.values_list("property", "controller", "path").annotate(Count("pk"), Max("pk"))
    by_property: dict[int, list[object]] = defaultdict(list)
    for place, controller, path, count, newest in grouped.order_by("property", "path"):
        events[place, controller, path] = (count, newest)
    for key in sorted(events, key=str):
        by_property[key[0]].append((key, events[key]))
    seasons: dict[int, list[object]] = defaultdict(list)
    rows = Season.objects.filter(
        Q(withdrawn_at__isnull=True) | Q(withdrawn_at__gt=as_of), created_at__lte=as_of
    )
    for controller, pk in rows.order_by("pk").values_list("controller", "pk"):
        seasons[controller].append(pk)
    fields = ("pk", "controller", "controller__property", "controller__property__time_zone")
    marks = {}
    for pk, controller, place, zone, ended in WirePath.objects.values_list(*fields, "ended_at"):
        if pk not in told:
            continue
        own = [one for one in by_property[place] if _concerns(one, controller, pk)]
        gone = ended if ended is not None and ended <= as_of else None
        words = repr((LAYOUT, ground, told[pk], own, seasons[controller], zone, gone))
        marks[pk] = hashlib.sha256(words.encode()).hexdigest()
    return dict(sorted(marks.items()))


def _concerns(one: object, controller: int, path: int) -> bool:
    """Whether events of a property concern one path: weather does, switching of another not."""
    assert isinstance(one, tuple)  # noqa: S101 - as put together above
    (_, of_controller, of_path), _ = one
    return of_path in (None, path) and of_controller in (None, controller)


def tallies_refresh(
    marks: dict[int, str],
    as_of: dt.datetime,
    ground: Ground,
    tell: Callable[[float, str], None] = lambda _share, _words: None,
    is_lost: Callable[[], bool] = lambda: False,
) -> int:
    """Make anew what is missing or no longer holds, in parts that are kept as they are made; how
    many. Broken off, the rest is made next time."""
    there = dict(PathTallyRow.objects.values_list("path", "mark"))
    stale = [path for path, mark in marks.items() if there.get(path) != mark]
    for start in range(0, len(stale), PATHS_AT_ONCE):
        if is_lost():
            break
        some = stale[start : start + PATHS_AT_ONCE]
        made = path_histories(some, as_of, ground)
        PathTallyRow.objects.bulk_create(
            [
                PathTallyRow(path_id=one.path, mark=marks[one.path], packed=packed(one))
                for one in made
            ],
            update_conflicts=True,
            unique_fields=["contractor", "path"],
            update_fields=["mark", "packed"],
        )
        tell((start + len(some)) / len(stale), f"{start + len(some)} of {len(stale)} paths read")
    return len(stale)


def tallies_read(
    marks: dict[int, str], as_of: dt.datetime, ground: Ground
) -> Iterator[tuple[int, Kept]]:
    """The tally and clock of each path, in the order of ``marks``. One that another run has made
    for another moment meanwhile is made here, and not kept."""
    paths = list(marks)
    for start in range(0, len(paths), _READ_AT_ONCE):
        some = paths[start : start + _READ_AT_ONCE]
        rows = PathTallyRow.objects.filter(path__in=some).values_list("path", "mark", "packed")
        there = {path: bytes(bits) for path, mark, bits in rows if marks[path] == mark}
        others = [path for path in some if path not in there]
        anew = {one.path: one for one in path_histories(others, as_of, ground)} if others else {}
        for path in some:
            if path in there:
                yield path, unpacked(there[path])
            elif path in anew:
                yield path, (anew[path].tallied.tally, anew[path].clock)


_COLUMNS: Sequence[tuple[str, str, int]] = (
    ("kind", "<i1", 1),
    ("key", "<i8", 1),
    ("alive", "<i1", 1),
    ("live", "<f8", 1),
    ("fixed", "<f8", 3),
    ("counts", "<i4", 3),
)


def packed(history: PathHistory) -> bytes:
    """A tally and its clock as bytes."""
    tally, clock = history.tallied.tally, history.clock
    parts = [struct.pack("<III", len(tally.kind), len(clock.edges), tally.lost)]
    for name, form, _ in _COLUMNS:
        parts.append(np.ascontiguousarray(getattr(tally, name), dtype=form).tobytes())
    parts += [clock.edges.astype("<f8").tobytes(), clock.state.astype("<i1").tobytes()]
    return b"".join(parts)


def unpacked(bits: bytes) -> Kept:
    """The tally and clock again."""
    units, edges, lost = struct.unpack_from("<III", bits)
    at = struct.calcsize("<III")
    columns: dict[str, Any] = {}
    for name, form, width in _COLUMNS:
        column = np.frombuffer(bits, form, units * width, at)
        at += column.nbytes
        whole = column.astype(np.float64 if form == "<f8" else np.int64)
        columns[name] = whole.reshape(units, width) if width > 1 else whole
    times = np.frombuffer(bits, "<f8", edges, at).astype(np.float64)
    state = np.frombuffer(bits, "<i1", edges, at + times.nbytes).astype(np.int64)
    return PathTally(lost=lost, **columns), StateClock.from_states(times, state)
