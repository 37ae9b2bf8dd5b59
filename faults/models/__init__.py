"""The tables of ``faults``; imported here so that Django finds them."""

from faults.models.call import CallEvent, CallMove, FaultCall, Urgency
from faults.models.event import EventKind, FaultEvent
from faults.models.trace import Finding, Observation, Trace, TraceOutcome

__all__ = [
    "CallEvent",
    "CallMove",
    "EventKind",
    "FaultCall",
    "FaultEvent",
    "Finding",
    "Observation",
    "Trace",
    "TraceOutcome",
    "Urgency",
]
