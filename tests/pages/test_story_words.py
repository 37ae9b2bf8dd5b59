"""The story of a call is told in words: no ids, keys or names of fields."""

from __future__ import annotations

import re

from core.accounts.actor import Actor
from faults.pages.story import call_story
from sites.network.faults import Fault, Place
from tests.faults.hunts import Hunt, played_bodies, rehearsal_of
from tests.faults.test_endings import BODIES, LAST_CLAMP

# A public id, a name that a client gave, a key of a thing left, a name of a field or of a job.
INTERNAL = re.compile(
    r"[a-z]{3,5}_[0-9a-z]{26}|\bo\d+\b|page-|[a-z]+(-[a-z]+)?:[A-Za-z]+|\bsegment\b|[a-z]_[a-z]"
    r"|[a-z]+\.[a-z]+|\bTrue\b|not-present|UTC"
)


def told(hunt: Hunt) -> list[str]:
    return [
        words for one in call_story(hunt.call) for words in (one.head, one.text, *one.more) if words
    ]


def test_a_trace_taken_up_again_is_told_in_words(by: Actor) -> None:
    hunt = Hunt(by)
    hunt.send_all(BODIES)
    hunt.void(f"o{LAST_CLAMP}", why="read on the wrong wire")
    hunt.again()
    lines = told(hunt)
    assert not [one for one in lines if INTERNAL.search(one)], lines
    withdrawn = "an answer of the trace was withdrawn after the end of the trace"
    assert any(withdrawn in one for one in lines)


def test_a_trace_that_found_nothing_is_told_in_words(by: Actor) -> None:
    rehearsal = rehearsal_of(Fault("short", Place("none")))
    hunt = Hunt(by, rehearsal)
    hunt.send_all(played_bodies(rehearsal)[1])
    hunt.again()
    lines = told(hunt)
    assert not [one for one in lines if INTERNAL.search(one)], lines
    assert any("not present" in one for one in lines)
