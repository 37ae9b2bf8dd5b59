"""Reading what to leave off so that the rest of a path waters, and what was left off."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import starmap

from django.db.models import QuerySet

from core.problems import Conflict
from faults.forms.place import place_document, read_place
from faults.models.call import FaultCall
from faults.models.trace import Finding, Trace
from faults.models.work import PartialRestore
from faults.restore.problem import (
    ON_THE_PATH,
    CannotRestore,
    RestoreProblem,
    Suspected,
    to_be_off,
)
from faults.restore.problem import PartialRestore as Proposed
from faults.restore.restore import smallest_part_off
from faults.selectors.call_urgency import unnumbered_outputs
from faults.services.partial_restores import RestoreDone
from faults.trace_snapshot import snapshot_now
from sites.network.elements import WirePath
from sites.network.errors import NetworkError
from sites.network.faults import Place
from sites.network_snapshot import path_network

MOST_SUSPECTS = 40
"""Of more places the trace has told too little yet."""


@dataclass(frozen=True)
class RestoreProposal:
    """What to leave off of ``path``: ``proposed`` with its acts in order, and ``done`` as it is
    said once it is so."""

    path: WirePath
    proposed: Proposed
    done: RestoreDone


def partial_restore_propose(call: FaultCall, asked: Place | None = None) -> RestoreProposal:
    """The smallest part to leave off so that the rest of the call's path waters today.

    What is ``asked`` must be off; else what is proved; without a proof, all of the newest trace's
    suspects that together hold 95 % of the chance. Eight queries, those of folding the trace, and
    up to some thousand solves: run it outside a transaction. Raises Conflict where the call has no
    path, nothing on it is suspected yet, or no part can be left off.
    """
    if call.path is None:
        raise Conflict("The call names no wire path yet: say which one it is about first.")
    try:
        path = path_network(call.path)
        off = _must_be_off(call) if asked is None else (asked,)
        proposed = smallest_part_off(RestoreProblem(path, off))
    except CannotRestore as cannot:
        raise Conflict(f"No part can be left off: {cannot}.") from cannot
    except NetworkError as unsolved:
        raise Conflict(f"The path as mapped cannot be solved: {unsolved}.") from unsolved
    figures = proposed.figures
    done = RestoreDone(
        left_off=tuple(place_document(place) for place in _touched(off, proposed)),
        stations_lost=proposed.stations_lost,
        unnumbered_lost=unnumbered_outputs(call.path.pk, proposed.devices_dry),
        least_device_v=figures.lowest.voltage_v if figures and figures.lowest else None,
        is_predicted=True,
    )
    return RestoreProposal(path, proposed, done)


def _touched(off: tuple[Place, ...], proposed: Proposed) -> tuple[Place, ...]:
    """What must be off and what is parted for it; what merely hangs behind is not named."""
    dead = set(proposed.left_off)
    cables = (Place("segment", segment) for segment, _ in proposed.parted)
    # What came off a splice and is joined again past it stays on.
    parted = (place for place in (*proposed.lifted, *cables) if place in dead)
    return tuple(dict.fromkeys((*off, *parted)))


def partial_restore_list(call: FaultCall) -> QuerySet[PartialRestore]:
    """The partial restores of a call, the newest first: one query."""
    return PartialRestore.objects.filter(call=call).order_by("-pk")


def _must_be_off(call: FaultCall) -> tuple[Place, ...]:
    proofs = Finding.objects.filter(trace__call=call, proved=True, superseded_at__isnull=True)
    proved = [read_place(at) for at in proofs.order_by("pk").values_list("at", flat=True)]
    on_path = tuple(place for place in proved if place.kind in ON_THE_PATH)
    if on_path:
        return on_path
    trace = Trace.objects.filter(call=call).order_by("-pk").first()
    if trace is None:
        return to_be_off(())
    case = snapshot_now(trace).fold.session.case
    off = to_be_off(starmap(Suspected, case.ranked(len(case.posterior.hypotheses.places))))
    if len(off) > MOST_SUSPECTS:
        raise CannotRestore(
            f"{len(off)} places are still suspected, more than are worth leaving off: trace on, or "
            "name the place"
        )
    return off
