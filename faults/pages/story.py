"""The whole story of a call, in order of time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import groupby

from django.urls import reverse

from faults.left_words import left_words, place_words, plain_reason
from faults.models.call import CallKind, FaultCall
from faults.models.event import FaultEvent
from faults.models.repair import Photo, Repair, SoakCheck, SoakState
from faults.models.trace import Trace, TraceOutcome
from faults.pages.words import OUTCOMES, stations_words
from faults.selectors.as_left import as_left_answers
from faults.selectors.calls import call_events, call_givings, call_moves
from faults.selectors.leg_rises import rises_at
from faults.selectors.repairs import removed_part_list, repair_list, return_test_list
from faults.selectors.stop_rule import stop_answers
from faults.selectors.traces import finding_list, trace_list
from faults.tracing.step import headline


@dataclass(frozen=True)
class StoryEntry:
    """One thing that happened. ``sort`` names its kind for the eye; ``count`` and ``until`` say
    how often an event came in a row; ``more`` are lines below, ``photos`` pictures."""

    at: dt.datetime
    sort: str
    head: str
    text: str = ""
    by: str = ""
    url: str = ""
    count: int = 1
    until: dt.datetime | None = None
    more: tuple[str, ...] = ()
    photos: tuple[Photo, ...] = ()


def call_story(call: FaultCall) -> list[StoryEntry]:
    """Everything of a call, the oldest first; events that follow each other are one entry."""
    entries = sorted(_entries(call), key=lambda one: one.at)
    return list(_gathered(entries))


def _entries(call: FaultCall) -> Iterator[StoryEntry]:
    yield from (_event(one) for one in call_events(call))
    yield from _reports(call)
    yield from _moves(call)
    yield from _givings(call)
    yield from _traces(call)
    yield from _repairs(call)
    yield from _tests(call)
    yield from _restores(call)
    yield from _left(call)
    yield from _limits(call)
    yield from _looks(call)


def _gathered(entries: list[StoryEntry]) -> Iterator[StoryEntry]:
    for key, run in groupby(entries, key=lambda one: (one.sort, one.head, one.by, one.text)):
        rows = list(run)
        if key[0] == "event" and len(rows) > 1:
            yield replace(rows[0], count=len(rows), until=rows[-1].at)
        else:
            yield from rows


def _event(event: FaultEvent) -> StoryEntry:
    kind = event.get_kind_display()
    return StoryEntry(event.at, "event", kind, event.note, event.source_name)


def _reports(call: FaultCall) -> Iterator[StoryEntry]:
    for report in call.report_rows.order_by("pk"):
        said = report.said
        dry = ", ".join(str(one) for one in said.get("dry_stations", []))
        began = [word for name, word in _BEGAN if said.get(name)]
        more = ([f"Stations without water: {dry}"] if dry else []) + began
        kind = CallKind(report.kind).label
        yield StoryEntry(
            report.at,
            "report",
            f"Reported: {kind.lower()}",
            said.get("note", ""),
            report.by_name,
            more=tuple(more),
        )


_BEGAN = (
    ("after_rain", "After rain"),
    ("after_lightning", "After lightning"),
    ("digging_nearby", "After digging near by"),
)


def _moves(call: FaultCall) -> Iterator[StoryEntry]:
    for move in call_moves(call):
        # What runs by a schedule has the name of its job, such as calls.wake.
        is_job = move.by_kind == "system" and "." in move.by_name
        by = "by itself" if is_job else move.by_name
        yield StoryEntry(move.at, "move", move.get_to_state_display(), move.why, by)


def _givings(call: FaultCall) -> Iterator[StoryEntry]:
    for one in call_givings(call):
        head = f"Given to {one.to}" if one.to else "Taken from whoever had it"
        yield StoryEntry(one.at, "given", head, by=one.by_name)


def _traces(call: FaultCall) -> Iterator[StoryEntry]:
    for trace in trace_list(call):
        url = reverse("trace", args=[trace.public_id])
        yield StoryEntry(trace.started_at, "trace", "A trace began", "", trace.started_by_name, url)
        if trace.ended_at is not None:
            yield StoryEntry(trace.ended_at, "trace", *_trace_end(trace), url=url)
    for finding in finding_list(call=call, with_superseded=True):
        head = "Proved" if finding.proved else "Suspected"
        more = ("It holds no more.",) if finding.superseded_at is not None else ()
        url = reverse("finding", args=[finding.public_id])
        yield StoryEntry(
            finding.made_at, "finding", head, place_words(finding.at), url=url, more=more
        )


def _trace_end(trace: Trace) -> tuple[str, str]:
    came = OUTCOMES.get(trace.outcome, trace.outcome).lower()
    reason = plain_reason(trace.reason)
    if trace.outcome == TraceOutcome.UNPROVED:
        head, reason = headline(reason)
        came = f"{came}, {head}" if head else came
    told = f"{reason} " if reason else ""
    return f"The trace ended: {came}", f"{told}({trace.observation_count} observations)"


def _repairs(call: FaultCall) -> Iterator[StoryEntry]:
    for repair in repair_list(call):
        yield _repair(repair)
        for failure in repair.failures.all():
            yield StoryEntry(
                failure.at, "repair", "A repair did not hold", failure.why, failure.by_name
            )
        for check in repair.soak_checks.all():
            if check.done_at is not None:
                head = f"Soak check: {SoakState(check.state).label.lower()}"
                yield StoryEntry(
                    check.done_at,
                    "soak",
                    head,
                    check.note,
                    check.done_by_name,
                    more=tuple(soak_lines(check)),
                )
    for part in removed_part_list(call):
        seen = f"{part.get_cause_display()}; bench: {part.get_bench_result_display().lower()}"
        yield StoryEntry(
            part.removed_at,
            "part",
            f"Part {part.tag} came out",
            part.what,
            part.removed_by_name,
            reverse("part", args=[part.public_id]),
            more=(f"From {place_words(part.at_place)}. {seen}.",),
            photos=tuple(part.photos.all()),
        )


def soak_lines(check: SoakCheck) -> Iterator[str]:
    """What was read at a soak check, a line a leg, what of it lies outside or is doubted."""
    for leg in check.legs.all():
        read = (
            f"{leg.current_ma:g} mA" if leg.current_ma is not None else "",
            f"{leg.far_v:g} V at its far end" if leg.far_v is not None else "",
            f"{leg.insulation_mohm:g} MΩ to earth" if leg.insulation_mohm is not None else "",
        )
        yield f"Leg {leg.leg}: {', '.join(one for one in read if one)}"
    if check.terminal_v is not None:
        yield f"{check.terminal_v:g} V at the controller’s terminals"
    yield from (f"Outside: {words}" for words in check.outside)
    yield from check.warnings
    ground = {True: "The ground was wet", False: "The ground was dry"}.get(check.wet)  # type: ignore[arg-type]
    if ground or check.meter:
        yield "; ".join(one for one in (ground, check.meter) if one)


def _repair(repair: Repair) -> StoryEntry:
    parts = ", ".join(f"{part['count']} × {part['name']}" for part in repair.parts)
    made = f"{repair.splices_made} splices made" if repair.splices_made else ""
    more = (f"{place_words(repair.at_place)}, {repair.minutes:g} min", made, parts)
    return StoryEntry(
        repair.at,
        "repair",
        f"Repair: {repair.get_kind_display().lower()}",
        repair.note,
        repair.by_name,
        reverse("repair", args=[repair.public_id]),
        more=tuple(one[:1].upper() + one[1:] for one in more if one),
        photos=tuple(repair.photos.all()),
    )


def _tests(call: FaultCall) -> Iterator[StoryEntry]:
    tests = list(return_test_list(call))
    rises = rises_at(tests)
    for test in tests:
        legs = [
            f"Leg {leg.leg}: {leg.current_ma:g} mA, about {leg.expected_ma:.0f} expected"
            for leg in test.legs.all()
        ]
        legs += [rise.words for rise in rises[test.pk]] + test.warnings
        head = "Return test passed" if test.passed else "Return test did not pass"
        text = "; ".join(test.failures) or test.note
        yield StoryEntry(test.at, "test", head, text, test.by_name, more=tuple(legs))


def _restores(call: FaultCall) -> Iterator[StoryEntry]:
    for one in call.partial_restores.order_by("pk"):
        if one.all_on:
            yield StoryEntry(one.at, "restore", "All is back on", one.note, one.by_name)
            continue
        off = ", ".join(place_words(place) for place in one.left_off)
        more = [f"Stations lost: {stations_words(one.stations_lost, one.unnumbered_lost)}"]
        if one.least_device_v is not None:
            known = "predicted" if one.is_predicted else "read"
            more.append(f"Least voltage at a device on, {known}: {one.least_device_v:.1f} V")
        head = f"Partly restored, left off: {off}"
        yield StoryEntry(one.at, "restore", head, one.note, one.by_name, more=tuple(more))


def _left(call: FaultCall) -> Iterator[StoryEntry]:
    for answer in as_left_answers(call):
        words = left_words(answer.item)
        head = f"{answer.get_answer_display()}: {words[:1].lower()}{words[1:]}"
        yield StoryEntry(answer.at, "left", head, answer.why, answer.by_name)


def _looks(call: FaultCall) -> Iterator[StoryEntry]:
    for look in call.inspections.exclude(ended_at=None).order_by("pk"):
        url = reverse("inspection", args=[look.public_id])
        head = "A follow-up look showed a fault"
        yield StoryEntry(
            look.ended_at or look.created_at, "look", head, look.note, look.ended_by_name, url
        )


def _limits(call: FaultCall) -> Iterator[StoryEntry]:
    for limit in call.limits.order_by("pk"):
        much = f"{limit.minutes:g} minutes" if limit.minutes is not None else f"{limit.money}"
        yield StoryEntry(limit.at, "limit", f"Approved up to {much}", limit.why, limit.by_name)
    for answer in stop_answers(call):
        head = f"Decided: {answer.get_choice_display().lower()}"
        yield StoryEntry(answer.at, "limit", head, answer.why, answer.by_name)
