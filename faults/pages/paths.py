"""The page of a two-wire path: its map, and what is not as built on it now."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from core.accounts.actor import Actor
from core.pages.access import may_rule, page
from faults.pages.leaving import left_lines
from faults.selectors.as_left import as_left_list
from faults.selectors.traces import trace_stands_at
from sites.pages.paths import path_context
from sites.selectors.paths import path_get


@require_safe
@page
def path_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """A path as its map has it now, or as ``?revision=`` had it, and *as left*."""
    path = path_get(public_id)
    context = path_context(request, path, trace_stands_at(path)) | {
        "left_lines": left_lines(list(as_left_list(path))),
        "may_import": may_rule(actor) and path.ended_at is None,
    }
    return render(request, "faults/path.html", context)
