"""How a path hangs together: preorder, loops, stubs, parts cut off, parallel segments."""

from __future__ import annotations

import random
from dataclasses import replace

import networkx as nx
import numpy as np
import pytest

from sites.network.effects import effects_of
from sites.network.errors import UnknownElement
from sites.network.faults import Condition
from sites.network.graph import (
    FROM,
    TO,
    Break,
    build_topology,
    cut_off_nodes,
    incoming_ends,
    loop_count,
    parallel_segments,
)
from sites.network.prepared import prepare
from sites.network.solve import topology_under
from tests.network.named_networks import (
    BRANCHING,
    RING,
    STRAIGHT,
    TWINS,
    field_path,
    node,
    span,
    with_open_joint,
)


def test_preorder_walks_a_subtree_before_its_sibling() -> None:
    topology = prepare(field_path(BRANCHING)).topology
    place = {int(point): at for at, point in enumerate(topology.order)}
    assert place[0] == 0
    assert topology.parent[0] == -1
    for one, other in BRANCHING:
        assert topology.parent[place[other]] == place[one]
    beyond_n2 = sorted(place[point] for point in (2, 3, 4))
    assert beyond_n2 == list(range(place[2], place[2] + 3))
    assert topology.is_tree


@pytest.mark.parametrize("seed", range(8))
def test_every_subtree_is_contiguous_and_edges_lead_where_they_should(seed: int) -> None:
    rng = random.Random(seed)
    pairs = [(rng.randrange(k), k) for k in range(1, 60)]
    pairs = [pair if rng.random() < 0.5 else pair[::-1] for pair in pairs]
    topology = build_topology(60, np.array(pairs), 0)
    graph = nx.Graph(pairs)
    up = dict(nx.bfs_predecessors(graph, 0))
    size = [1] * 60
    for at in range(59, 0, -1):
        size[topology.parent[at]] += size[at]
    for at, point in enumerate(topology.order.tolist()):
        below = {p for p in graph if point in nx.shortest_path(graph, 0, p)}
        assert set(topology.order[at : at + size[at]].tolist()) == below
        if at:
            assert topology.order[topology.parent[at]] == up[point]
            assert set(pairs[topology.edge[at]]) == {point, up[point]}


def test_loops_are_counted_where_they_are_live() -> None:
    assert prepare(field_path(STRAIGHT)).topology.live_loops == 0
    assert prepare(field_path(RING)).topology.live_loops == 1
    assert prepare(field_path(TWINS)).topology.live_loops == 2
    opened = with_open_joint(field_path(RING), "S3")
    assert prepare(opened).topology.is_tree


def test_an_open_joint_leaves_its_stub_hanging_on_the_other_end() -> None:
    path = with_open_joint(field_path(RING), "S3", "to")
    topology = prepare(path).topology
    assert topology.point_count == 7
    assert topology.end_points[2].tolist() == [2, 6]
    assert topology.order[topology.parent[topology.position[6]]] == 2
    other = prepare(with_open_joint(field_path(RING), "S3", "from")).topology
    assert other.end_points[2].tolist() == [6, 3]
    assert other.order[other.parent[other.position[6]]] == 3


def test_both_joints_of_one_segment_may_be_open() -> None:
    prepared = prepare(with_open_joint(field_path(RING), "S3", "to"))
    effects = effects_of(prepared, Condition(joints_open=frozenset({("S3", "from")})))
    topology = topology_under(prepared, effects)
    assert (topology.position[6:] == -1).all()
    assert cut_off_nodes(prepared.path, topology) == ()


def test_parts_cut_off_are_named_and_their_loops_are_not_live() -> None:
    path = with_open_joint(field_path(RING), "S1", "to")
    topology = prepare(path).topology
    assert cut_off_nodes(path, topology) == ("N1", "N2", "N3", "N4", "N5")
    assert topology.is_tree
    assert loop_count(topology) == 1
    assert loop_count(prepare(field_path(TWINS)).topology) == 2
    assert loop_count(prepare(field_path(STRAIGHT)).topology) == 0


def test_parallel_segments_are_found_whichever_way_they_run() -> None:
    assert parallel_segments(field_path(TWINS)) == (("S2", "S3"),)
    assert parallel_segments(field_path(((0, 1), (1, 0), (1, 2), (0, 1)))) == (("S1", "S2", "S4"),)
    assert parallel_segments(field_path(BRANCHING)) == ()


def test_a_segment_with_spots_is_a_chain_of_pieces() -> None:
    topology = build_topology(
        3,
        np.array([(0, 1), (2, 1)]),
        0,
        breaks={1: [Break(0.25, joined=True), Break(0.6, joined=False)]},
    )
    assert topology.point_count == 6
    assert topology.spots == {(1, 0): (3, 3), (1, 1): (4, 5)}
    assert topology.piece_points.tolist() == [[0, 1], [2, 3], [3, 4], [5, 1]]
    assert topology.piece_segment.tolist() == [0, 1, 1, 1]
    assert topology.piece_share.tolist() == pytest.approx([1.0, 0.25, 0.35, 0.4])
    assert topology.last_piece.tolist() == [0, 3]
    # Cut at 0.6 from N2, so N2 and the two pieces on its side have no way to the controller.
    assert topology.position[[2, 3, 4]].tolist() == [-1, -1, -1]
    assert (topology.position[[0, 1, 5]] >= 0).all()


def test_incoming_ends_are_those_that_lead_to_the_controller() -> None:
    tree = prepare(field_path(BRANCHING)).topology
    assert incoming_ends(tree, 2, 0) == ((1, TO),)
    assert incoming_ends(tree, 0, 0) == ()
    ring = prepare(field_path(RING)).topology
    assert set(incoming_ends(ring, 3, 0)) == {(2, TO), (3, TO)}
    assert incoming_ends(ring, 1, 0) == ((0, TO),)
    assert incoming_ends(ring, 5, 0) == ((5, TO),)
    backwards = prepare(field_path(((1, 0), (2, 1)))).topology
    assert incoming_ends(backwards, 1, 0) == ((0, FROM),)


def test_the_controller_need_not_be_the_first_node() -> None:
    path = field_path(STRAIGHT)
    turned = replace(path, nodes=path.nodes[::-1])
    topology = prepare(turned).topology
    assert topology.order.tolist() == [4, 3, 2, 1, 0]


def test_a_segment_to_nowhere_is_refused() -> None:
    path = field_path(STRAIGHT)
    lost = replace(path, nodes=(node(0),), segments=(span(1, (0, 9), 1.0),), devices=())
    with pytest.raises(UnknownElement, match="N9"):
        prepare(lost)
