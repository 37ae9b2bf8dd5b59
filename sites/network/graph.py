"""How a path hangs together: points in preorder from the controller, loops, parts cut off.

A *point* is a place where currents meet. The first points are the path's nodes; after them come
the virtual ones: the end of a segment whose joint is open there (the stub still hangs on its
other end) and a spot part-way along a segment. A *piece* is what lies between two points; the
first pieces are the segments, or the part of one that begins at its ``from`` end.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from sites.network.elements import WirePath

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

FROM, TO = 0, 1
"""Ends of a segment as indexes."""

_UNSEEN = -2


@dataclass(frozen=True, slots=True)
class Break:
    """A spot along a segment, counted from its ``from`` end. ``joined``: not cut there."""

    fraction: float
    joined: bool


@dataclass(frozen=True, slots=True, eq=False)
class Topology:
    """The graph of points and pieces, and its walk from the controller.

    ``piece_points`` (P, 2); ``piece_segment``, ``piece_share`` (P,): which segment and how much
    of it; ``end_points`` (S, 2): the point at each end of a segment; ``last_piece`` (S,): the
    piece at its ``to`` end; ``spots``: (segment, place in its breaks) to the points before and
    after it, the same where joined.

    ``order``: live points in preorder, the controller first; ``parent`` and ``edge``: for each
    of them the place in ``order`` of the point before it and the piece between (-1 at first).
    ``position`` (points,): place in ``order``, -1 where cut off. ``live_loops``: independent
    loops among live points, 0 for a tree.
    """

    point_count: int
    piece_points: IntArray
    piece_segment: IntArray
    piece_share: FloatArray
    end_points: IntArray
    last_piece: IntArray
    order: IntArray
    parent: list[int]
    edge: IntArray
    position: IntArray
    live_loops: int
    spots: Mapping[tuple[int, int], tuple[int, int]] = field(default_factory=dict)

    @property
    def is_tree(self) -> bool:
        """Whether what hangs on the controller has no loop."""
        return self.live_loops == 0


@dataclass(slots=True, eq=False)
class _Pieces:
    """Points and pieces before they are walked."""

    point_count: int
    points: IntArray
    ends: IntArray
    segment: IntArray
    share: FloatArray
    last: IntArray
    spots: dict[tuple[int, int], tuple[int, int]]


def _whole(node_count: int, ends: IntArray) -> _Pieces:
    """Each segment one piece that reaches both of its nodes."""
    count = len(ends)
    each = np.arange(count, dtype=np.int64)
    return _Pieces(node_count, ends, ends, each, np.ones(count), each, {})


def _changed(
    pieces: _Pieces, apart: Iterable[tuple[int, int]], breaks: Mapping[int, Sequence[Break]]
) -> _Pieces:
    """Part ends from their nodes and make chains of the segments that have spots."""
    count, ends, last = pieces.point_count, pieces.ends.copy(), pieces.last.copy()
    for segment, end in sorted(apart):
        ends[segment, end] = count
        count += 1
    points, share = ends.copy(), pieces.share.copy()
    more: list[tuple[int, tuple[int, int], float]] = []
    spots: dict[tuple[int, int], tuple[int, int]] = {}
    for segment, along in breaks.items():
        left = int(ends[segment, FROM])
        stops = [*(spot.fraction for spot in along), 1.0]
        for at, spot in enumerate(along):
            before, after = count, count + (not spot.joined)
            count = after + 1
            spots[segment, at] = (before, after)
            if at == 0:
                points[segment, TO], share[segment] = before, spot.fraction
            else:
                more.append((segment, (left, before), stops[at] - stops[at - 1]))
            left = after
        more.append((segment, (left, int(ends[segment, TO])), 1.0 - stops[-2]))
        last[segment] = len(points) + len(more) - 1
    return _Pieces(
        point_count=count,
        points=np.concatenate([points, np.array([m[1] for m in more], int).reshape(-1, 2)]),
        ends=ends,
        segment=np.concatenate([pieces.segment, np.array([m[0] for m in more], int)]),
        share=np.concatenate([share, np.array([m[2] for m in more], float)]),
        last=last,
        spots=spots,
    )


def build_topology(
    node_count: int,
    ends: IntArray,
    controller: int,
    apart: Collection[tuple[int, int]] = (),
    breaks: Mapping[int, Sequence[Break]] | None = None,
) -> Topology:
    """Build the graph of points.

    ``ends`` (S, 2): nodes of each segment; ``apart``: (segment, end) that do not reach their
    node; ``breaks``: spots along segments, sorted by fraction. O(points).
    """
    pieces = _whole(node_count, ends)
    if apart or breaks:
        pieces = _changed(pieces, apart, breaks or {})
    order, before, touched = _walk(pieces.point_count, pieces.points, controller)
    position = np.full(pieces.point_count, -1, dtype=np.int64)
    position[order] = np.arange(len(order))
    parent = position[before[order]]
    parent[0] = -1
    return Topology(
        point_count=pieces.point_count,
        piece_points=pieces.points,
        piece_segment=pieces.segment,
        piece_share=pieces.share,
        end_points=pieces.ends,
        last_piece=pieces.last,
        order=order,
        parent=parent.tolist(),
        edge=_edges(pieces.points, before)[order],
        position=position,
        live_loops=touched // 2 - (len(order) - 1),
        spots=pieces.spots,
    )


def _walk(point_count: int, pieces: IntArray, start: int) -> tuple[IntArray, IntArray, int]:
    """Depth first: points in order, the point before each, twice the number of live pieces.

    On loops the order is only one in which each point comes after the one it was reached from.
    scipy's depth_first_order takes 0.3 s for a star of 20,000, hence the plain loop.
    """
    ends = pieces.T.ravel()
    by_point = np.argsort(ends, kind="stable")
    others: list[int] = pieces[:, ::-1].T.ravel()[by_point].tolist()
    degree = np.bincount(ends, minlength=point_count)
    first: list[int] = [0, *np.cumsum(degree).tolist()]
    before = [_UNSEEN] * point_count
    before[start] = -1
    order: list[int] = []
    stack = [start]
    while stack:
        point = stack.pop()
        order.append(point)
        for other in others[first[point] : first[point + 1]]:
            if before[other] == _UNSEEN:
                before[other] = point
                stack.append(other)
    live = np.array(order, dtype=np.int64)
    return live, np.array(before, dtype=np.int64), int(degree[live].sum())


def _edges(pieces: IntArray, before: IntArray) -> IntArray:
    """The piece that leads to each point from the one before it, -1 where there is none."""
    edge = np.full(len(before), -1, dtype=np.int64)
    for near, far in ((FROM, TO), (TO, FROM)):
        leads = np.flatnonzero(before[pieces[:, far]] == pieces[:, near])
        edge[pieces[leads, far]] = leads
    return edge


def cut_off_nodes(path: WirePath, topology: Topology) -> tuple[str, ...]:
    """Ids of the nodes that no segment connects with the controller, in the path's order."""
    return tuple(node.id for at, node in enumerate(path.nodes) if topology.position[at] < 0)


def loop_count(topology: Topology) -> int:
    """Independent loops anywhere, parts that are cut off included; 0 for a forest."""
    groups = list(range(topology.point_count))
    loops = 0
    for one, other in topology.piece_points.tolist():
        first, second = _root(groups, one), _root(groups, other)
        loops += first == second
        groups[first] = second
    return loops


def parallel_segments(path: WirePath) -> tuple[tuple[str, ...], ...]:
    """Groups of two or more segments that run between the same two nodes."""
    between: dict[frozenset[str], list[str]] = defaultdict(list)
    for segment in path.segments:
        between[frozenset((segment.from_node, segment.to_node))].append(segment.id)
    return tuple(tuple(group) for group in between.values() if len(group) > 1)


def incoming_ends(topology: Topology, node: int, controller: int) -> tuple[tuple[int, int], ...]:
    """(segment, end) at ``node`` that still lead to the controller with the node taken away.

    One for a node of a tree, several on a loop, none at the controller or where cut off.
    ``topology`` must have no breaks, so that a piece is a segment.
    """
    pieces = topology.piece_points
    kept = pieces[(pieces != node).all(axis=1)]
    reached = np.zeros(topology.point_count, dtype=np.bool_)
    reached[_walk(topology.point_count, kept, controller)[0]] = True
    reached[node] = False
    return tuple(
        (int(segment), end)
        for end in (FROM, TO)
        for segment in np.flatnonzero((pieces[:, end] == node) & reached[pieces[:, 1 - end]])
    )


def _root(groups: list[int], item: int) -> int:
    while groups[item] != item:
        groups[item] = groups[groups[item]]
        item = groups[item]
    return item
