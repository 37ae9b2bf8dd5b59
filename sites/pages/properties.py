"""The list of properties, and what the page of one starts from."""

from __future__ import annotations

from typing import Any

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from core.accounts.actor import Actor
from core.pages.access import may_change, may_rule, page
from sites.models.property import Property
from sites.selectors.properties import property_list

AT_ONCE = 50


@require_safe
@page
def properties(request: HttpRequest, _actor: Actor) -> HttpResponse:
    """Properties by name, some at once; ``?name=`` keeps those whose name or address has it."""
    asked = request.GET.get("name", "").strip()[:120]
    found = property_list()
    if asked:
        found = found.filter(name__icontains=asked) | found.filter(address__icontains=asked)
    shown = Paginator(found, AT_ONCE).get_page(request.GET.get("page"))
    return render(request, "sites/properties.html", {"shown": shown, "asked": asked})


def property_context(place: Property, actor: Actor) -> dict[str, Any]:
    """What the page of a property says of the place itself."""
    controllers = sorted(place.controllers.all(), key=lambda one: one.name)
    return {
        "place": place,
        "controllers": controllers,
        "may_change": may_change(actor),
        "may_rule": may_rule(actor),
    }
