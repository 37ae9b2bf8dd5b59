"""What planning knows of crews and of what calls want."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from django.db import transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import lock_name, locked_one, refuse_past
from core.models.accounts import Crew
from core.problems import Defect
from core.text_checks import refuse_defects
from faults.crew_hours import hours_defects
from faults.models.call import FaultCall
from faults.models.dispatch import CallNeeds, CrewCard
from sites.field_checks import position_defects, time_zone_defects

Document = dict[str, Any]

MOST_WORDS = 40
MOST_PEOPLE = 20
MOST_DAYS_OFF = 400
_WORD = re.compile(r"[a-z0-9][a-z0-9 -]{0,39}")


@dataclass(frozen=True)
class CrewPlanned:
    """A crew as it is planned with: words in small letters, counts of parts aboard, weekly hours
    (see ``faults.crew_hours``), days off as ISO dates."""

    time_zone: str
    base_lat: float
    base_lon: float
    people: int = 1
    skills: Sequence[str] = ()
    tools: Sequence[str] = ()
    parts: Mapping[str, int] = field(default_factory=dict)
    hours: Sequence[Document] = ()
    days_off: Sequence[str] = ()

    def defects(self) -> Iterator[Defect]:
        """What does not fit, with JSON pointers."""
        yield from time_zone_defects("/time_zone", self.time_zone)
        for one in position_defects(self.base_lat, self.base_lon):
            yield Defect(f"/base_{one.pointer[1:]}", one.what, one.right)
        yield from _wanted_defects(self.people, self.skills, self.tools, self.parts)
        yield from hours_defects("/hours", self.hours)
        if len(self.days_off) > MOST_DAYS_OFF:
            yield Defect("/days_off", f"there are {len(self.days_off)}", f"at most {MOST_DAYS_OFF}")
        for number, day in enumerate(self.days_off):
            try:
                dt.date.fromisoformat(day)
            except ValueError:
                yield Defect(f"/days_off/{number}", f"{day[:20]!r} is no day", "YYYY-MM-DD")


@dataclass(frozen=True)
class CallWants:
    """What a visit for a call wants of a crew; ``access``: weekly hours of the property."""

    people: int = 1
    skills: Sequence[str] = ()
    tools: Sequence[str] = ()
    parts: Mapping[str, int] = field(default_factory=dict)
    access: Sequence[Document] = ()

    def defects(self) -> Iterator[Defect]:
        """What does not fit, with JSON pointers."""
        yield from _wanted_defects(self.people, self.skills, self.tools, self.parts)
        yield from hours_defects("/access", self.access)


def _wanted_defects(
    people: int, skills: Sequence[str], tools: Sequence[str], parts: Mapping[str, int]
) -> Iterator[Defect]:
    if not 1 <= people <= MOST_PEOPLE:
        yield Defect("/people", f"{people} is out of range", f"1 to {MOST_PEOPLE}")
    for name, words in (("skills", skills), ("tools", tools), ("parts", list(parts))):
        if len(words) > MOST_WORDS:
            yield Defect(f"/{name}", f"there are {len(words)}", f"at most {MOST_WORDS}")
        for word in words:
            if not _WORD.fullmatch(word):
                right = "small letters, digits, blanks and hyphens, at most 40"
                yield Defect(f"/{name}", f"{word[:50]!r} does not fit", right)
    for word, count in parts.items():
        if not 0 <= count <= 10_000:
            yield Defect("/parts", f"{count} of {word[:40]!r} is out of range", "0 to 10000")


@transaction.atomic
def crew_card_set(*, crew: Crew, planned: CrewPlanned, version: int, by: Actor) -> CrewCard:
    """Say how a crew is planned with; ``version`` 0 where nothing was said. Raises Invalid,
    Stale."""
    refuse_defects("crew's card", planned.defects())
    lock_name(f"card of {crew.public_id}")
    card = CrewCard.objects.filter(crew=crew).first() or CrewCard(crew=crew, version=0)
    refuse_past("card", card.version, version)
    for name, value in asdict(planned).items():
        setattr(card, name, _plain(value))
    card.version += 1
    card.save()
    change_record(by=by, action="crew.card-set", thing=("crew", crew.public_id), after={})
    return card


@transaction.atomic
def crew_position_tell(*, crew: Crew, lat: float, lon: float, by: Actor) -> CrewCard:
    """Say where a crew is now. Raises Invalid, also where the crew has no card yet."""
    refuse_defects("position", position_defects(lat, lon))
    found = CrewCard.objects.filter(crew=crew).first()
    if found is None:
        defect = Defect("/crew", "the crew has no card", "one whose card is set")
        refuse_defects("position", [defect])
        raise AssertionError
    card = locked_one(found)
    card.position_lat, card.position_lon, card.position_at = lat, lon, now()
    card.save()
    change_record(by=by, action="crew.position-told", thing=("crew", crew.public_id), after={})
    return card


@transaction.atomic
def call_needs_set(*, call: FaultCall, wants: CallWants, version: int, by: Actor) -> CallNeeds:
    """Say what visits for a call want; ``version`` 0 where nothing was said. Raises Invalid,
    Stale."""
    refuse_defects("list of needs of the call", wants.defects())
    lock_name(f"needs of {call.public_id}")
    needs = CallNeeds.objects.filter(call=call).first() or CallNeeds(call=call, version=0)
    refuse_past("needs", needs.version, version)
    for name, value in asdict(wants).items():
        setattr(needs, name, _plain(value))
    needs.version += 1
    needs.save()
    change_record(
        by=by, action="call.needs-set", thing=("call", call.public_id), after=_told(wants)
    )
    return needs


def _told(wants: CallWants) -> Document:
    return {name: _plain(value) for name, value in asdict(wants).items()}


def _plain(value: Any) -> Any:
    return list(value) if isinstance(value, tuple) else value
