"""The page of a two-wire path: drawn to scale, with its figures and what it is made of."""

from __future__ import annotations

from collections.abc import Iterator

from django.http import HttpRequest, HttpResponse
from django.views.decorators.gzip import gzip_page
from django.views.decorators.http import require_safe

from core.accounts.actor import Actor
from core.pages.access import page
from core.pages.drawing_limit import drawing_count, drawing_count_size
from core.problems import Conflict, Invalid
from sites.models.wire_path import WirePath
from sites.network.design_check import BrokenLimit, DesignFigures
from sites.network.elements import WirePath as Network
from sites.network_snapshot import path_network
from sites.pages.drawing import path_drawing, sound_currents_ma, svg_answer
from sites.pages.near import near_of
from sites.pages.words import LENGTH_KNOWN, PathWords, node_kind, node_name
from sites.selectors.design import path_design_figures
from sites.selectors.paths import path_get, path_revisions

_LIMITS = {
    "min_device_v": ("The voltage at a device falls below what is wanted", "V"),
    "max_current_ma": ("The controller gives more current than is wanted", "mA"),
    "trip_ma": ("A sound path with all devices on would already trip the controller", "mA"),
}


def path_context(request: HttpRequest, path: WirePath, stands_at: str = "") -> dict[str, object]:
    """What the page of a path shows of its map as it is now, or as ``?revision=`` had it.

    ``?near=`` names the point that the close-up is about; else ``stands_at``, else the controller.
    """
    number = _revision(request, path)
    network = path_network(path, number)
    return {
        "path": path,
        "place": path.controller.property,
        "number": number,
        "network": network,
        "near": near_of(network, request.GET.get("near", ""), stands_at),
        "cable_m": sum(segment.length_m for segment in network.segments),
        "revisions": path_revisions(path),
        "points": [(node, node_name(node), node_kind(node)) for node in network.nodes],
        "runs": [(one, LENGTH_KNOWN.get(one.length_known or "", "")) for one in network.segments],
        **_design(path, number, network),
    }


@gzip_page
@require_safe
@page
def path_picture(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """The path as SVG, with the currents of the sound path; ``?around=`` a node for what lies
    near it."""
    drawing_count(actor)
    path = path_get(public_id)
    network = path_network(path, _revision(request, path))
    drawing_count_size(actor, len(network.nodes))
    around = request.GET.get("around", "")[:64]
    return svg_answer(path_drawing(network, currents_ma=sound_currents_ma(network), around=around))


def _revision(request: HttpRequest, path: WirePath) -> int:
    asked = request.GET.get("revision", "")
    if not asked:
        return path.revision
    if not (asked.isascii() and asked.isdigit() and len(asked) < 10):
        raise Invalid("A revision is a whole number.")
    return int(asked)


def _design(path: WirePath, number: int, network: Network) -> dict[str, object]:
    """Figures of the sound path, or why there are none."""
    try:
        figures = path_design_figures(path, number)
    except Conflict as unsolved:
        return {"unsolved": unsolved.detail}
    words = PathWords(network)
    return {"figures": figures, "limits": list(_limits(figures)), "worst": _worst(figures, words)}


def _worst(figures: DesignFigures, words: PathWords) -> dict[str, str]:
    """Names of the places that the figures are about."""
    names = {}
    for name, found in (("farthest", figures.farthest), ("lowest", figures.lowest)):
        if found is not None:
            names[name] = words.place({"device": found.device_id})
    if figures.largest_drop is not None:
        names["drop"] = words.wire(figures.largest_drop.segment_id)
    return names


def _limits(figures: DesignFigures) -> Iterator[str]:
    for broken in figures.broken_limits:
        yield _limit_words(broken)
    if figures.cut_off_device_ids:
        yield f"Cut off from the controller: {_listed(figures.cut_off_device_ids)}."


def _limit_words(broken: BrokenLimit) -> str:
    what, unit = _LIMITS[broken.limit]
    where = f" ({_listed(broken.device_ids)})" if broken.device_ids else ""
    return f"{what}: {broken.found:.1f} {unit}, limit {broken.allowed:g} {unit}{where}."


def _listed(ids: tuple[str, ...], most: int = 6) -> str:
    more = f" and {len(ids) - most} more" if len(ids) > most else ""
    return ", ".join(ids[:most]) + more
