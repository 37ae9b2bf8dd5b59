"""Whether a path as mapped feeds every device."""

from __future__ import annotations

from core.problems import Conflict
from sites.models.wire_path import WirePath
from sites.network import design_check
from sites.network.errors import NetworkError
from sites.network_snapshot import path_network


def path_design_figures(path: WirePath, revision: int | None = None) -> design_check.DesignFigures:
    """Voltages, drops, current and broken limits of a path in a revision, None: the newest.

    Four queries. Raises NotFound for a revision there is not, Conflict where the path as mapped
    has no state in which it can rest.
    """
    network = path_network(path, revision)
    try:
        return design_check.design_figures(network)
    except NetworkError as unsolved:
        raise Conflict(f"The path as mapped cannot be solved: {unsolved}.") from unsolved
