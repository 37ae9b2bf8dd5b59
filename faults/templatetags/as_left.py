"""What is left on a path right now, told on every page that is about it."""

from __future__ import annotations

from typing import Any

from django import template
from django.db.models import QuerySet
from django.template import Context

from faults.models.as_left import AsLeftItem
from faults.pages.leaving import left_lines
from faults.selectors.as_left import as_left_list
from sites.models.property import Property
from sites.models.wire_path import WirePath

register = template.Library()

ABOUT = ("call", "trace", "look", "flag", "finding")
"""Things of the context that lie on a path."""


@register.inclusion_tag("faults/left_now.html", takes_context=True)
def left_now(context: Context) -> dict[str, Any]:
    """The list of a page's path, or of all paths of its property; elsewhere how many there are."""
    path, place = _path(context), context.get("place")
    if path is not None:
        return _listed(as_left_list(path), path.controller.property, several=False)
    if isinstance(place, Property):
        paths = WirePath.objects.filter(controller__property=place)
        return _listed(as_left_list().filter(path__in=paths), place, several=True)
    return {"count": as_left_list().count()}


def _listed(rows: QuerySet[AsLeftItem], place: Property, *, several: bool) -> dict[str, Any]:
    return {"left_lines": left_lines(list(rows)), "zone": place.time_zone, "several": several}


def _path(context: Context) -> WirePath | None:
    for name in ABOUT:
        thing = context.get(name)
        thing = getattr(thing, "trace", thing) if name == "finding" else thing
        path = getattr(thing, "path", None)
        if isinstance(path, WirePath):
            return path
    found = context.get("path")
    return found if isinstance(found, WirePath) else None
