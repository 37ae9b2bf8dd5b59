"""The tables of ``faults``; imported here so that Django finds them."""

from faults.models.as_left import AsLeftAnswer, AsLeftItem, LeftAnswerKind, LeftKind
from faults.models.audit import AuditReport, SavedQuestion
from faults.models.call import CallEvent, CallKind, CallMove, FaultCall, Urgency
from faults.models.event import EventKind, FaultEvent
from faults.models.repair import (
    BenchResult,
    Cause,
    Photo,
    PhotoMoment,
    RemovedPart,
    Repair,
    RepairFailure,
    RepairKind,
    SoakCheck,
    SoakState,
)
from faults.models.return_test import ReturnTest, ReturnTestLeg, SoundRecord, SoundSource
from faults.models.trace import Finding, Observation, Trace, TraceOutcome
from faults.models.work import (
    ApprovalLimit,
    CallReport,
    PartialRestore,
    StopAnswer,
    StopChoice,
    WorkRules,
)

__all__ = [
    "ApprovalLimit",
    "AsLeftAnswer",
    "AsLeftItem",
    "AuditReport",
    "BenchResult",
    "CallEvent",
    "CallKind",
    "CallMove",
    "CallReport",
    "Cause",
    "EventKind",
    "FaultCall",
    "FaultEvent",
    "Finding",
    "LeftAnswerKind",
    "LeftKind",
    "Observation",
    "PartialRestore",
    "Photo",
    "PhotoMoment",
    "RemovedPart",
    "Repair",
    "RepairFailure",
    "RepairKind",
    "ReturnTest",
    "ReturnTestLeg",
    "SavedQuestion",
    "SoakCheck",
    "SoakState",
    "SoundRecord",
    "SoundSource",
    "StopAnswer",
    "StopChoice",
    "Trace",
    "TraceOutcome",
    "Urgency",
    "WorkRules",
]
