"""The tables of ``core``; imported here so that Django finds them."""

from core.models.accounts import Contractor, Crew, CrewMember, MachineToken, Person
from core.models.changes import Change, FeedEntry, FeedEpoch, UnsequencedChange
from core.models.jobs import BeatSlot, Job, JobState

__all__ = [
    "BeatSlot",
    "Change",
    "Contractor",
    "Crew",
    "CrewMember",
    "FeedEntry",
    "FeedEpoch",
    "Job",
    "JobState",
    "MachineToken",
    "Person",
    "UnsequencedChange",
]
