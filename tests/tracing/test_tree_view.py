"""The path laid out as a tree of points: order, subtrees, wires, stubs, and what is no tree."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings

from faults.tracing.tree_view import (
    NotATree,
    TreeView,
    build_tree_view,
    loop_impedance_ohm,
    loop_joints,
    typical_admittance_s,
)
from sites.network.elements import WirePath
from sites.network.faults import Place
from tests.network.named_networks import BRANCHING, RING, TWINS, field_path, with_open_joint
from tests.network.paths import wire_paths

PATH = field_path(BRANCHING)
PREORDER = "N0 S1 N1 S2 N2 S3 N3 S4 N4 S5 N5 S6 N6 S7 N7".split()


def names(view: TreeView) -> list[str]:
    return [place.id for place in view.place_of_point]


class TestLayout:
    def test_points_stand_in_preorder_each_segments_middle_before_its_far_end(self) -> None:
        assert names(build_tree_view(PATH)) == PREORDER

    def test_kinds_are_those_of_nodes_and_segments(self) -> None:
        view = build_tree_view(PATH)
        kinds = {place.id[0]: place.kind for place in view.place_of_point}
        assert kinds == {"N": "splice", "S": "segment"}

    def test_parents_by_hand(self) -> None:
        view = build_tree_view(PATH)
        parents = [PREORDER[int(p)] for p in view.parent]
        assert parents == "N0 N0 S1 N1 S2 N2 S3 N2 S4 N1 S5 N5 S6 N0 S7".split()

    def test_subtree_ends_by_hand(self) -> None:
        view = build_tree_view(PATH)
        ends = dict(zip(PREORDER, view.last.tolist(), strict=True))
        assert ends == {
            "N0": 15, "S1": 13, "N1": 13, "S2": 9, "N2": 9, "S3": 7, "N3": 7, "S4": 9,
            "N4": 9, "S5": 13, "N5": 13, "S6": 13, "N6": 13, "S7": 15, "N7": 15,
        }  # fmt: skip

    def test_a_wire_is_the_half_of_the_segment_on_its_nodes_side(self) -> None:
        view = build_tree_view(PATH)
        for (node, segment), edge in view.edge_of_wire.items():
            lower = node == PREORDER[view.point_of_segment[segment] + 1]
            assert edge == view.point_of_segment[segment] + lower
        assert len(view.edge_of_wire) == 2 * len(PATH.segments)

    def test_upstream_and_downstream_wires_of_a_node(self) -> None:
        view = build_tree_view(PATH)
        assert view.upstream_segment["N2"] == "S2"
        assert "N0" not in view.upstream_segment
        assert set(view.downstream_segments["N0"]) == {"S1", "S7"}
        assert set(view.downstream_segments["N1"]) == {"S2", "S5"}
        assert view.downstream_segments["N3"] == ()

    def test_each_half_has_half_of_the_loop_impedance(self) -> None:
        view = build_tree_view(PATH)
        for segment in PATH.segments:
            middle = view.point_of_segment[segment.id]
            both = view.z_ohm[middle] + view.z_ohm[middle + 1]
            assert both == pytest.approx(loop_impedance_ohm(segment, PATH))
            assert view.z_ohm[middle] == view.z_ohm[middle + 1]

    def test_devices_load_their_nodes_and_a_lifted_one_does_not(self) -> None:
        view = build_tree_view(PATH, lifted=frozenset({"D3"}))
        for device in PATH.devices:
            expected = 0.0 if device.id == "D3" else typical_admittance_s(device, PATH)
            assert view.load_s[view.point_of_node[device.node]] == pytest.approx(expected)
        assert "N3" not in view.devices_at

    def test_which_way_round_a_segment_was_drawn_is_no_matter(self) -> None:
        turned = replace(
            PATH,
            segments=tuple(
                replace(s, from_node=s.to_node, to_node=s.from_node) for s in PATH.segments
            ),
        )
        assert names(build_tree_view(turned)) == PREORDER

    def test_a_lone_controller_is_one_point(self) -> None:
        lone = replace(PATH, nodes=PATH.nodes[:1], segments=(), devices=())
        view = build_tree_view(lone)
        assert view.size == 1
        assert view.last.tolist() == [1]


def up_to_controller(view: TreeView, point: int) -> list[int]:
    """A point and those above it, from parent to parent."""
    way = [point]
    while way[-1] != 0:
        way.append(int(view.parent[way[-1]]))
    return way


@given(wire_paths("tree"))
@settings(max_examples=20)
def test_a_subtree_is_the_points_that_have_its_root_on_their_way(path: WirePath) -> None:
    view = build_tree_view(path)
    chains = [set(up_to_controller(view, point)) for point in range(view.size)]
    for root in range(view.size):
        inside = {point for point in range(view.size) if root in chains[point]}
        assert inside == set(range(root, int(view.last[root])))
    assert (view.parent[1:] < np.arange(1, view.size)).all()


@given(wire_paths("tree"))
@settings(max_examples=20)
def test_the_last_common_point_is_the_deepest_of_both_ways(path: WirePath) -> None:
    view = build_tree_view(path)
    chains = [set(up_to_controller(view, point)) for point in range(view.size)]
    for one in range(view.size):
        assert set(view.chain(one).tolist()) == chains[one]
        common = view.last_common(one)
        for other in range(view.size):
            assert common[other] == max(chains[one] & chains[other])


class TestOpenJoints:
    def test_apart_at_the_far_end_the_segment_hangs_as_a_stub(self) -> None:
        view = build_tree_view(PATH, joints_open=frozenset({("S5", "to")}))
        assert names(view) == "N0 S1 N1 S2 N2 S3 N3 S4 N4 S5 S5 S7 N7".split()
        assert ("N1", "S5") in view.edge_of_wire
        assert ("N5", "S5") not in view.edge_of_wire
        assert view.point_of_segment["S5"] == 9
        assert "N5" not in view.point_of_node

    def test_apart_at_the_near_end_nothing_of_it_is_left(self) -> None:
        view = build_tree_view(PATH, joints_open=frozenset({("S5", "from")}))
        assert names(view) == "N0 S1 N1 S2 N2 S3 N3 S4 N4 S7 N7".split()
        assert "S5" not in view.point_of_segment

    def test_a_joint_open_on_the_map_is_one_opened_in_the_trace(self) -> None:
        on_map = build_tree_view(with_open_joint(PATH, "S5"))
        opened = build_tree_view(PATH, joints_open=frozenset({("S5", "to")}))
        assert names(on_map) == names(opened)
        assert (on_map.last == opened.last).all()

    def test_closing_a_joint_of_the_map_joins_it_again(self) -> None:
        path = with_open_joint(PATH, "S5")
        view = build_tree_view(path, joints_closed=frozenset({("S5", "to")}))
        assert names(view) == PREORDER

    def test_a_stub_carries_its_capacitance(self) -> None:
        path = replace(with_open_joint(PATH, "S5"), capacitance_nf_per_km=100.0)
        view = build_tree_view(path)
        end = view.point_of_segment["S5"] + 1
        length_m = next(s.length_m for s in path.segments if s.id == "S5")
        half = 1j * 2.0 * np.pi * 60.0 * 100e-9 * length_m / 1000.0 / 2.0
        assert view.fixed_s[end] == pytest.approx(half)


class TestLegs:
    def test_a_leg_that_is_off_takes_all_beyond_with_it(self) -> None:
        view = build_tree_view(PATH, legs_off=frozenset({"S1"}))
        assert names(view) == ["N0", "S7", "N7"]

    def test_a_segment_that_is_no_leg_is_not_taken_off(self) -> None:
        assert names(build_tree_view(PATH, legs_off=frozenset({"S2"}))) == PREORDER


class TestLoops:
    @pytest.mark.parametrize(("edges", "loops"), [(RING, 1), (TWINS, 2)])
    def test_closed_loops_are_refused_and_named(
        self, edges: tuple[tuple[int, int], ...], loops: int
    ) -> None:
        path = field_path(edges)
        with pytest.raises(NotATree) as refused:
            build_tree_view(path)
        assert len(refused.value.segments) == loops
        assert set(refused.value.segments) <= {s.id for s in path.segments}
        assert all(segment in str(refused.value) for segment in refused.value.segments)

    def test_parallel_segments_with_one_apart_are_a_tree(self) -> None:
        path = with_open_joint(with_open_joint(field_path(TWINS), "S2"), "S5")
        view = build_tree_view(path)
        assert view.upstream_segment["N2"] == "S3"
        assert ("N1", "S2") in view.edge_of_wire
        assert ("N2", "S2") not in view.edge_of_wire

    def test_the_longest_cable_of_a_loop_is_opened(self) -> None:
        path = field_path(RING)  # lengths grow with the number: S5 of S2..S5 is the longest
        assert [segment for segment, _ in loop_joints(path)] == ["S5"]

    def test_of_two_ends_the_one_that_is_easier_to_reach(self) -> None:
        path = field_path(RING)
        for buried, end in (("N1", "to"), ("N4", "from")):
            nodes = tuple(replace(n, access="buried") if n.id == buried else n for n in path.nodes)
            assert loop_joints(replace(path, nodes=nodes)) == (("S5", end),)

    def test_a_tree_has_no_joints_to_open(self) -> None:
        assert loop_joints(PATH) == ()

    @given(wire_paths("any"))
    @settings(max_examples=20)
    def test_with_its_joints_open_any_path_is_a_tree(self, path: WirePath) -> None:
        joints = frozenset(loop_joints(path))
        view = build_tree_view(path, joints_open=joints)
        assert len(set(view.point_of_node)) == len(view.point_of_node)
        assert loop_joints(path, joints_open=joints) == ()
        reached = {segment for segment, _ in joints if segment in view.point_of_segment}
        for segment in reached:
            with pytest.raises(NotATree):
                build_tree_view(path, joints_open=frozenset(j for j in joints if j[0] != segment))

    @given(wire_paths("any"))
    @settings(max_examples=15)
    def test_opening_loops_cuts_no_node_off(self, path: WirePath) -> None:
        joints = frozenset(loop_joints(path))
        reached = {path.controller.id}
        whole = [s for s in path.segments if s.joint_open is None]
        for _ in path.nodes:
            for s in whole:
                if {s.from_node, s.to_node} & reached:
                    reached |= {s.from_node, s.to_node}
        assert set(build_tree_view(path, joints_open=joints).point_of_node) == reached

    def test_a_place_on_a_stub_is_the_segments_middle(self) -> None:
        view = build_tree_view(field_path(RING), joints_open=frozenset({("S5", "to")}))
        stub = view.point_of_segment["S5"]
        assert view.place_of_point[stub] == Place("segment", "S5")
        assert view.place_of_point[stub + 1] == Place("segment", "S5")
