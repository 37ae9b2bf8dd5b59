"""Answering with something else than was asked: a wire clamped at another place."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from core.accounts.actor import Actor
from core.clock import now
from core.pages.access import may_change, page
from core.pages.problems import problem_onto_form
from core.problems import NotAllowed, Problem
from faults.models.trace import Trace
from faults.pages.answers import AnswerForm, answer_body, names_of_next
from faults.pages.doubts import answer_doubts
from faults.pages.trace_view import access_of
from faults.selectors.traces import trace_get
from faults.services.observations import observation_add
from faults.trace_snapshot import snapshot_now
from faults.tracing.cautions import cautions_for
from faults.tracing.rig_places import wires_at
from sites.network.elements import WirePath
from sites.pages.words import PathWords

UNMAPPED = "not on the map"


class ElsewhereForm(AnswerForm):
    """A clamp reading at a place that people choose."""

    asked = forms.CharField(required=False, widget=forms.HiddenInput)
    wire = forms.ChoiceField(label="Which wire")

    def __init__(self, *args: Any, wires: list[tuple[str, str]], **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["wire"] = forms.ChoiceField(label="Which wire", choices=wires)


@require_http_methods(["GET", "HEAD", "POST"])
@page
def trace_other(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """First the place, then the wire and its reading."""
    trace = trace_get(public_id)
    if not may_change(actor):
        raise NotAllowed("As an auditor you read these pages.")
    fold = snapshot_now(trace).fold
    network = fold.session.problem.path
    node = request.GET.get("node", "").strip()[:64]
    context: dict[str, Any] = {"trace": trace, "network": network, "node": node}
    if not any(one.id == node for one in network.nodes):
        context["unknown"] = bool(node)
        return render(request, "faults/trace_where.html", context)
    wires = _wires(network, node)
    if request.method == "POST":
        form = ElsewhereForm(request.POST, wires=wires)
        status = _taken(form, trace, actor, node)
        if status is None:
            return redirect("trace", trace.public_id)
    else:
        form, status = ElsewhereForm(wires=wires, initial=names_of_next(trace)), 200
    cautions = cautions_for(do="clamp", access=access_of(network, node), rig=fold.rig)
    context |= {"form": form, "where": PathWords(network).node(node), "cautions": cautions}
    return render(request, "faults/trace_other.html", context, status=status)


def _wires(network: WirePath, node: str) -> list[tuple[str, str]]:
    words = PathWords(network)
    listed = [(wire, words.wire(wire, node)) for wire in wires_at(network, node)]
    return [*listed, (UNMAPPED, "a wire that is not on the map")]


def _taken(form: ElsewhereForm, trace: Trace, actor: Actor, node: str) -> int | None:
    """None where the reading was taken, else the status of the problem that the form tells."""
    if not form.is_valid():
        return 422
    wire = form.cleaned_data["wire"]
    asked = {"do": "clamp", "node": node, "wire": None if wire == UNMAPPED else wire}
    try:
        body = answer_body(asked, form.data)
        if form.asks_really(answer_doubts(trace, body)):
            return 422
        observation_add(
            trace=trace,
            by=actor,
            client_id=form.cleaned_data["client_id"],
            body=body,
            client_seq=form.cleaned_data["client_seq"],
            client_at=now(),
        )
    except Problem as problem:
        problem_onto_form(form, problem)
        return int(problem.status)
    return None
