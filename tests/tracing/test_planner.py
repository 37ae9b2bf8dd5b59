"""Where to clamp next: what a visit tells by brute force, what cannot tell, and what it costs."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from faults.rehearsal.cases import make_case
from faults.rehearsal.layouts import random_path
from faults.tracing.act import Act
from faults.tracing.evidence import Evidence
from faults.tracing.planner import Choice, Ground, Method, Planner, eliminated_at
from faults.tracing.posterior import Posterior
from faults.tracing.problem import Costs, TraceProblem
from faults.tracing.reckoner import Reckoner
from faults.tracing.rollout import quantile
from faults.tracing.sight import Sight
from faults.tracing.tree_view import TreeView, build_tree_view
from sites.network.elements import WirePath
from tests.network.named_networks import BRANCHING
from tests.network.paths import wire_paths
from tests.tracing.drives import COIL_OHM, Drive, tree_path

FloatArray = NDArray[np.float64]


def sight_of(view: TreeView, mass: FloatArray, tells: FloatArray) -> Sight:
    """What the planner sees when each point has this mass and each wire tells this much."""
    before = np.concatenate([[0.0], np.cumsum(mass)])
    return Sight(
        beyond=before[view.last] - before[:-1],
        high_ma=np.full(view.size, 200.0),
        low_ma=np.zeros(view.size),
        tells=tells,
        mass_before=before,
        apart=max(0.0, 1.0 - float(mass.sum())),
        reference_ma=200.0,
    )


def told_apart(view: TreeView, point: int, mass: FloatArray, tells: FloatArray) -> float:
    """The chance eliminated by reading all wires at a point: twice the sum of p q over pairs of
    points that some wire there tells apart, with what lies nowhere above."""
    incoming = [point] if point and tells[point] else []
    wires = incoming + [e for e in range(1, view.size) if view.parent[e] == point and tells[e]]
    outside = max(0.0, 1.0 - float(mass.sum()))
    answers: dict[tuple[bool, ...], float] = {tuple(False for _ in wires): outside}
    for h in range(view.size):
        answer = tuple(bool(edge <= h < view.last[edge]) for edge in wires)
        answers[answer] = answers.get(answer, 0.0) + float(mass[h])
    return 1.0 - sum(p * p for p in answers.values())


@st.composite
def seen_trees(draw: st.DrawFn) -> tuple[TreeView, FloatArray, FloatArray]:
    view = build_tree_view(draw(wire_paths("tree")))
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    mass = rng.dirichlet(np.full(view.size + 1, 0.5))[:-1]
    tells = (rng.uniform(size=view.size) < 0.7).astype(np.float64)
    return view, mass, tells


class TestEliminated:
    @given(seen_trees())
    @settings(max_examples=20)
    def test_where_every_wire_tells_it_is_what_brute_force_counts(
        self, case: tuple[TreeView, FloatArray, FloatArray]
    ) -> None:
        view, mass, _ = case
        tells = np.ones(view.size)
        got = eliminated_at(view, sight_of(view, mass, tells))
        for point in range(view.size):
            assert got[point] == pytest.approx(told_apart(view, point, mass, tells), abs=1e-12)

    @given(seen_trees())
    @settings(max_examples=20)
    def test_where_some_cannot_tell_it_never_promises_more(
        self, case: tuple[TreeView, FloatArray, FloatArray]
    ) -> None:
        view, mass, tells = case
        got = eliminated_at(view, sight_of(view, mass, tells))
        for point in range(view.size):
            assert -1e-12 <= got[point] <= told_apart(view, point, mass, tells) + 1e-12

    def test_where_none_can_tell_there_is_nothing_to_gain(self) -> None:
        view = build_tree_view(tree_path())
        mass = np.full(view.size, 1.0 / view.size)
        assert not eliminated_at(view, sight_of(view, mass, np.zeros(view.size))).any()

    def test_a_child_wire_tells_by_itself_when_the_incoming_one_cannot(self) -> None:
        """High on a wire that goes on: not above either. The incoming wire is not needed."""
        view = build_tree_view(tree_path(((0, 1), (1, 2))))  # N0 S1 N1 S2 N2
        mass = np.array([0.0, 0.5, 0.0, 0.0, 0.5])
        tells = np.ones(view.size)
        tells[2] = 0.0
        assert told_apart(view, 2, mass, tells) == pytest.approx(0.5)
        got = eliminated_at(view, sight_of(view, mass, tells))
        assert got[2] == pytest.approx(0.5)


def even(path: WirePath) -> tuple[Planner, Posterior]:
    """A planner, and a posterior under which all places of the map are as likely."""
    problem = TraceProblem(path=path, coil_ohm=COIL_OHM)
    posterior = Reckoner(problem, build_tree_view(path)).reckon(Evidence())
    mapped = np.array([p.kind != "unmapped" for p in posterior.hypotheses.places], dtype=float)
    return Planner(problem), replace(posterior, chance=mapped / mapped.sum())


class TestVisits:
    def test_minutes_are_walking_arriving_and_reading(self) -> None:
        planner, posterior = even(tree_path())
        sight = sight_of(posterior.view, posterior.point_chance(), np.ones(posterior.view.size))
        visits = {v.node: v for v in planner._visits(posterior, sight, Ground("N0"))}
        costs = Costs()
        walk = 30.0 * 2 / costs.walk_m_per_s / 60.0  # N2 is 60 m from the controller
        wires = 2  # S3 and S4 go on from N2
        expected = walk + costs.box_min + 0.5 * costs.same_place_min * wires
        assert visits["N2"].minutes == pytest.approx(expected, abs=0.01)
        eliminates = eliminated_at(posterior.view, sight)
        assert visits["N2"].eliminates == pytest.approx(
            eliminates[posterior.view.point_of_node["N2"]]
        )

    def test_neither_here_nor_where_the_field_cannot_go(self) -> None:
        planner, posterior = even(tree_path())
        sight = sight_of(posterior.view, posterior.point_chance(), np.ones(posterior.view.size))
        ground = Ground("N1", closed=frozenset({"N2"}))
        nodes = {v.node for v in planner._visits(posterior, sight, ground)}
        assert not nodes & {"N1", "N2"}
        assert {"N5", "N7"} <= nodes
        choice = planner.choose(posterior, sight, ground)
        assert choice is not None
        assert choice.wire.node != "N2"

    def test_buried_places_cost_the_digging(self) -> None:
        path = tree_path()
        nodes = tuple(replace(n, access="buried") if n.id == "N2" else n for n in path.nodes)
        planner, _ = even(replace(path, nodes=nodes))
        box, _ = even(path)
        more = planner.minutes_from("N0")[2] - box.minutes_from("N0")[2]
        assert more == pytest.approx(Costs().buried_min - Costs().box_min)


class TestWhatCannotTell:
    def test_a_wire_that_cannot_tell_is_not_chosen(self) -> None:
        path = tree_path(tuple((k, k + 1) for k in range(12)))
        planner, posterior = even(path)
        view = posterior.view
        tells = np.ones(view.size)
        blind = [view.edge_of_wire[w] for w in view.edge_of_wire if w[1] in ("S5", "S6", "S7")]
        tells[blind] = 0.0
        sight = sight_of(view, posterior.point_chance(), tells)
        here = "N0"
        read: dict[tuple[str, str | None], int] = {}
        for _ in range(12):
            choice = planner.choose(posterior, sight, Ground(here, read=read))
            if choice is None:
                break
            assert choice.wire.id not in ("S5", "S6", "S7")
            read[(choice.wire.node, choice.wire.id)] = 4
            here = choice.wire.node
        assert len(read) > 4

    @pytest.mark.slow
    def test_among_heavy_draws_what_is_chosen_reads_otherwise_by_far(self) -> None:
        """400 devices that draw 0.9 of what the controller reads: no share of the reference says
        what is high, so each wire's two readings are reckoned at that wire."""
        drive = Drive(make_case("heavy", 1).rehearsal)
        drive.until(lambda step: step.stage == "following" and step.do == "clamp")
        chosen = 0
        while drive.session.step.stage == "following":
            act = drive.session.act
            assert isinstance(act, Act)
            wire = act.choice.wire if act.choice else None
            if wire is not None and wire.low != wire.high:
                sight = drive.session.case.sight
                assert sight.high_ma[wire.low] - sight.low_ma[wire.low] > 10.0
                assert wire.tells > 0.9
                chosen += 1
            drive.once()
        assert chosen >= 4


@dataclass
class Enumerated:
    """Expected minutes of a search over all places, each as likely, readings without noise.

    At each state the planner is asked for a wire; its answer splits what is left in two. A
    search ends with one place.
    """

    planner: Planner
    posterior: Posterior
    chosen: int = field(default=0)

    def minutes(self) -> float:
        mask = self.posterior.chance > 0.0
        return self._from(mask, "N0", {})

    def _from(
        self, mask: NDArray[np.bool_], here: str, read: dict[tuple[str, str | None], int]
    ) -> float:
        if mask.sum() <= 1:
            return 0.0
        view = self.posterior.view
        chance = np.where(mask, 1.0 / mask.sum(), 0.0)
        posterior = replace(self.posterior, chance=chance)
        sight = sight_of(view, posterior.point_chance(), np.ones(view.size))
        choice = self.planner.choose(posterior, sight, Ground(here, read=read))
        self.chosen += 1
        assert choice is not None, "places are left that a reading would part"
        high = self._high(choice) & mask
        assert 0 < high.sum() < mask.sum(), "a reading that tells nothing was chosen"
        wire = choice.wire
        read = {**read, (wire.node, wire.id): 1}
        spent = self._spent(here, wire.node)
        share = high.sum() / mask.sum()
        yes = self._from(high, wire.node, read)
        no = self._from(mask & ~high, wire.node, read)
        return spent + float(share) * yes + float(1.0 - share) * no

    def _spent(self, here: str, node: str) -> float:
        if here == node:
            return self.planner.problem.costs.same_place_min
        return float(self.planner.minutes_from(here)[self.planner.at[node]])

    def _high(self, choice: Choice) -> NDArray[np.bool_]:
        own, wire = self.posterior.hypotheses, choice.wire
        if wire.low == wire.high:
            return np.array([p.kind == "device" and p.id == wire.id for p in own.places])
        return (own.point >= wire.low) & (own.point < wire.high)


def expected_minutes(path: WirePath, method: Method) -> float:
    planner, posterior = even(path)
    planner.method = method
    return Enumerated(planner, posterior).minutes()


def straight(nodes: int) -> WirePath:
    path = tree_path(tuple((k, k + 1) for k in range(nodes)))
    return replace(path, nodes=tuple(replace(n, x_m=40.0 * k) for k, n in enumerate(path.nodes)))


def drawn(index: int) -> WirePath:
    rng = np.random.default_rng([41, index])
    shape = ("branching", "bushy", "straight")[index % 3]
    return random_path(rng, shape, 8 + 2 * index)


class TestSearch:
    """Ratios of expected minutes, by exact enumeration of the places."""

    def test_rollout_is_not_worse_than_the_screen_on_small_paths(self) -> None:
        ratios = [
            expected_minutes(path, "planner") / expected_minutes(path, "per-minute")
            for path in (straight(8), drawn(0), drawn(1), tree_path(BRANCHING))
        ]
        assert float(np.mean(ratios)) <= 1.02
        assert max(ratios) <= 1.1

    @pytest.mark.slow
    def test_rollout_is_not_worse_than_the_screen_on_more_paths(self) -> None:
        paths = [straight(12), straight(20), straight(30), *(drawn(k) for k in range(2, 11))]
        ratios = [
            expected_minutes(path, "planner") / expected_minutes(path, "per-minute")
            for path in paths
        ]
        assert float(np.mean(ratios)) <= 1.02

    def test_going_half_way_saves_most_of_the_walk(self) -> None:
        """Common practice, no source; measured on a straight path by exact enumeration."""
        path = straight(40)
        planned = expected_minutes(path, "planner")
        assert planned < 0.5 * expected_minutes(path, "outward")
        assert planned <= 1.01 * expected_minutes(path, "halving")


class TestQuantile:
    def test_of_chances_and_minutes_by_hand(self) -> None:
        endings = ((0.2, 30.0), (0.5, 10.0), (0.3, 20.0))
        assert quantile(endings, 0.5) == 10.0
        assert quantile(endings, 0.51) == 20.0
        assert quantile(endings, 0.8) == 20.0
        assert quantile(endings, 0.9) == 30.0
        assert quantile(endings, 1.0) == 30.0

    def test_chances_need_not_sum_to_one(self) -> None:
        assert quantile(((2.0, 5.0), (2.0, 9.0)), 0.6) == 9.0

    def test_of_nothing(self) -> None:
        assert quantile((), 0.5) == 0.0
