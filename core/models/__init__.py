"""The tables of ``core``; imported here so that Django finds them."""

from core.models.accounts import Contractor, Crew, CrewMember, MachineToken, Person
from core.models.changes import Change, FeedEntry, FeedEpoch, UnsequencedChange

__all__ = [
    "Change",
    "Contractor",
    "Crew",
    "CrewMember",
    "FeedEntry",
    "FeedEpoch",
    "MachineToken",
    "Person",
    "UnsequencedChange",
]
