"""The page of a finding: what, where, and every step that it rests on."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from core.accounts.actor import Actor
from core.pages.access import page
from core.problems import NotFound
from faults.forms.place import read_place
from faults.pages.words import TraceWords, chance_words
from faults.selectors.traces import finding_list
from faults.tracing.rig_places import nodes_of_place
from sites.network_snapshot import path_network


@require_safe
@page
def finding_page(request: HttpRequest, _actor: Actor, public_id: str) -> HttpResponse:
    """A finding, a superseded one too."""
    findings = finding_list(with_superseded=True).select_related(
        "trace__call", "trace__path__controller__property"
    )
    finding = findings.filter(public_id=public_id).first()
    if finding is None:
        raise NotFound(f"There is no finding {public_id}.")
    trace = finding.trace
    network = path_network(trace.path, trace.revision)
    words = TraceWords(network)
    nodes = nodes_of_place(network, read_place(finding.at))
    context = {
        "finding": finding,
        "trace": trace,
        "call": trace.call,
        "place": trace.path.controller.property,
        "node": nodes[0] if nodes else "",
        "where": words.on_path.place(finding.at),
        "chance": chance_words(finding.chance),
        "steps": [
            {
                "number": row["step"],
                "task": words.task(row["observation"]),
                "answer": words.answer(row["observation"]),
                "struck": row["struck"],
            }
            for row in finding.basis
        ],
    }
    return render(request, "faults/finding.html", context)
