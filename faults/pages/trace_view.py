"""What the page of a trace shows, gathered from one fold."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from faults.forms.observation import observation_document
from faults.forms.place import read_place
from faults.models.as_left import AsLeftItem, LeftKind
from faults.models.trace import Trace
from faults.pages.answers import WITH_CURRENT, WITH_MESSAGE, asked_of, blank_answer, names_of_next
from faults.pages.leaving import left_lines
from faults.pages.words import OUTCOMES, STAGES, TraceWords, chance_words, done_words
from faults.selectors.as_left import as_left_list
from faults.selectors.stop_rule import stop_question
from faults.selectors.traces import finding_list
from faults.services.settlement import basis_rows
from faults.trace_fold import Fold
from faults.trace_snapshot import next_document, snapshot_now
from faults.tracing.cautions import cautions_for
from faults.tracing.rig import Rig, rig_at_start
from faults.tracing.rig_places import nodes_of_place
from faults.tracing.step import LEAST_TOLD, headline
from sites.network.elements import Access, WirePath
from sites.pages.near import near_of

Document = dict[str, Any]


@dataclass(frozen=True)
class StoryLine:
    """A step that was answered."""

    number: int
    task: str
    answer: str
    client_id: str
    struck: bool


def trace_context(trace: Trace, near: str = "") -> Document:
    """The state of a trace for its page; ``near`` a point to look at. Run outside a transaction."""
    snapshot = snapshot_now(trace)
    step = next_document(trace, snapshot)
    session = snapshot.fold.session
    network = session.problem.path
    words = TraceWords(network)
    story = list(_story(basis_rows(snapshot.fold), words))
    live = [line for line in story if not line.struck and line.client_id]
    live += _put_back_lines(snapshot.fold, words)
    context: Document = {
        "trace": trace,
        "call": trace.call,
        "place": trace.path.controller.property,
        "step": step,
        "words": words,
        "network": network,
        "is_done": step["stage"] == "done",
        "stages": _stages(step["stage"]),
        "left": words.as_left(step["as_left"]),
        "left_before": left_lines(_left_before(trace)),
        "story": list(reversed(story)),
        "last": live[-1] if live else None,
        "suspects": words.suspects(step["found"] if step["stage"] == "done" else step["suspects"]),
        "others": _others(step),
        "names": names_of_next(trace),
        "history": _history(trace),
        "question": stop_question(trace.call),
    }
    if context["is_done"]:
        return context | _ending(trace, step, words, snapshot.fold)
    return context | _doing(trace, step, words, near)


def _others(step: Document) -> str:
    """The chance of all that is not among the suspects of a step, in words; empty for next to
    none."""
    if step["stage"] == "done":
        return ""
    rest = 1.0 - sum(one["chance"] for one in step["suspects"])
    return chance_words(rest) if rest >= LEAST_TOLD else ""


def _history(trace: Trace) -> Document | None:
    """The run whose history of failures counts in a trace, with its day; None without one."""
    told = trace.known.get("history")
    if told is None:
        return None
    return {
        "as_of": dt.datetime.fromisoformat(told["as_of"]),
        "run": told["run"],
        "places": len(told["places"]),
    }


def _left_before(trace: Trace) -> list[AsLeftItem]:
    """What changes the circuit of the path and was so before the trace began."""
    items = as_left_list(trace.path).filter(since__lt=trace.started_at).exclude(trace=trace)
    return list(items.exclude(kind__in=(LeftKind.LID_UP, LeftKind.TAG, LeftKind.OTHER)))


def _doing(trace: Trace, step: Document, words: TraceWords, near: str) -> Document:
    do, node = step["do"], node_of(words.path, step)
    return {
        "task": words.task(step),
        "kind": _kind(do),
        "done_words": done_words(step),
        "expected": words.expected(step),
        "asks_count": do in ("clamp", "clamp_set"),
        "is_stray": do == "clamp" and step["wire"] is None,
        "form": blank_answer(trace, step),
        "node": node,
        "near": near_of(words.path, near, node),
        "why": plain_why(step["why"]),
        "notes": [plain_why(note) for note in (*step.get("notes", []), *_legs_to_put_back(step))],
    }


def _legs_to_put_back(step: Document) -> Iterator[str]:
    """What a step leaves to be done besides: legs that an earlier one took off and it wants on."""
    off = ", ".join(step["as_left"]["legs_off"])
    if off and (step.get("fitted") or step.get("on")):
        yield (
            f"Off at the controller: {off}. Put back on what is off as well, while the power is "
            "off and proved dead: what is looked at or read next is with all legs on"
        )
    elif off and step["do"] in ("message", "reference") and "legs_on" not in step:
        yield (
            f"Told as off so far: {off}. What is not back on yet goes on first: power off and "
            "proved dead, leg on, hands out, power on"
        )


def _ending(trace: Trace, step: Document, words: TraceWords, fold: Fold) -> Document:
    outcome, reason = OUTCOMES[step["outcome"]], step.get("reason", "")
    if step["outcome"] == "unproved":
        head, reason = headline(reason)
        outcome = f"{outcome}: {head}" if head else outcome
    return {
        "task": outcome,
        "findings": [
            (one, words.on_path.place(one.at)) for one in finding_list(trace=trace).order_by("pk")
        ],
        "put_back": list(_put_back(step["as_left"], words, fold.rig)),
        "reason": plain_why(reason),
    }


def _kind(do: str) -> str:
    if do in WITH_MESSAGE:
        return "message"
    if do in WITH_CURRENT:
        return "current"
    return "tags" if do == "clamp_set" else "act"


def _stages(now: str) -> list[tuple[str, bool, bool]]:
    """The stages by name: whether it is the one now, and whether it lies behind."""
    order = [stage for stage, _ in STAGES]
    at = order.index(now)
    return [(name, place == at, place < at) for place, (_, name) in enumerate(STAGES)]


def _story(rows: list[Document], words: TraceWords) -> Iterator[StoryLine]:
    for row in rows:
        body = row["observation"]
        yield StoryLine(
            number=row["step"],
            task=words.task(body),
            answer=words.answer(body),
            client_id=row["client_id"],
            struck=row["struck"],
        )


def node_of(network: WirePath, step: Document) -> str:
    """The node where a step is done; the controller's where it is done there."""
    if "node" in step:
        return str(step["node"])
    if "at" in step and step["do"] in ("isolate", "restore"):
        nodes = nodes_of_place(network, read_place(step["at"]))
        return nodes[0] if nodes else network.controller.id
    for joint in step.get("joints", []):
        segment = next((one for one in network.segments if one.id == joint["segment"]), None)
        if segment is not None:
            return segment.to_node if joint["end"] == "to" else segment.from_node
    return network.controller.id


def _put_back_lines(fold: Fold, words: TraceWords) -> Iterator[StoryLine]:
    """What was put back after the end; it answers no step."""
    for entry in fold.after_end:
        body = observation_document(entry.observation)
        yield StoryLine(0, words.task(body), words.answer(body), entry.name, struck=False)


def _put_back(
    left: Document, words: TraceWords, rig: Rig
) -> Iterator[tuple[str, tuple[str, ...], str, str]]:
    """What undoes each thing that stands open: what to do, its cautions, the button, the
    observation."""
    network = words.path
    steps: list[Document] = [{"do": "restore", "at": place} for place in left["isolated"]]
    own = {(segment, end) for segment, end in rig_at_start(network).joints_open}
    joints = [one for one in left["joints_open"] if (one["segment"], one["end"]) not in own]
    if left["coil"]:
        if left["power"]:
            steps.append({"do": "power", "on": False})
        else:
            steps.append({"do": "fit_coil", "fitted": False})
    if joints and not left["power"]:
        steps.append({"do": "close_joints", "joints": joints})
    for step in steps:
        cautions = cautions_for(
            do=step["do"],
            access=access_of(network, node_of(network, step)),
            rig=rig,
            first_visit=False,
            at=read_place(step["at"]) if "at" in step else None,
        )
        yield words.task(step), cautions, done_words(step), json.dumps(asked_of(step))


def access_of(network: WirePath, node: str) -> Access:
    """How a node is reached."""
    return next(one.access for one in network.nodes if one.id == node)


def plain_why(why: str) -> str:
    """A reason of the engine as a sentence, in the words of pages."""
    if not why:
        return ""
    text = why.replace("segment ", "cable run ")
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."
