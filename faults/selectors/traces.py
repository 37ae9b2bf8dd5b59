"""Reading traces: where they stand, what was observed, what was found, and what comes next."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet

from core.problems import NotFound
from faults.models.call import FaultCall
from faults.models.trace import Finding, Observation, Trace
from faults.trace_snapshot import next_document, snapshot_now
from sites.models.wire_path import WirePath

_MOST_LOOKED_AT = 30


def trace_list(call: FaultCall | None = None) -> QuerySet[Trace]:
    """Traces, of one call or all, newest first; call, path and property joined: one query."""
    traces = Trace.objects.select_related("call", "path__controller__property").order_by("-pk")
    return traces if call is None else traces.filter(call=call)


def trace_get(public_id: str) -> Trace:
    """A trace, joined as in ``trace_list``: one query. Raises NotFound."""
    found = trace_list().filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no trace {public_id}.")
    return found


def trace_next(trace: Trace) -> dict[str, Any]:
    """The next step of a trace, or its verdict, in the words of ``follow``.

    One query where this process has the trace folded, else also those of a fold. Run outside a
    transaction.
    """
    return next_document(trace, snapshot_now(trace))


def observation_list(trace: Trace) -> QuerySet[Observation]:
    """The observations of a trace in the order in which they were done: one query."""
    return Observation.objects.filter(trace=trace).order_by("client_seq", "pk")


def trace_stands_at(path: WirePath) -> str:
    """The node where the trace that is under way on a path was last, empty where none is or it was
    nowhere yet: two queries."""
    running = Trace.objects.filter(path=path, ended_at__isnull=True).order_by("-pk").first()
    if running is None:
        return ""
    bodies = observation_list(running).reverse().values_list("body", flat=True)[:_MOST_LOOKED_AT]
    return next((str(body["node"]) for body in bodies if body.get("node")), "")


def finding_list(
    *, trace: Trace | None = None, call: FaultCall | None = None, with_superseded: bool = False
) -> QuerySet[Finding]:
    """Findings of a trace, a call or all, newest first; trace and path joined: one query."""
    findings = Finding.objects.select_related("trace__path").order_by("-pk")
    if trace is not None:
        findings = findings.filter(trace=trace)
    if call is not None:
        findings = findings.filter(trace__call=call)
    return findings if with_superseded else findings.filter(superseded_at__isnull=True)
