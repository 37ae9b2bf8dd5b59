"""One moment of a trace, with everything a decision looks at, computed when first asked for."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from faults.tracing.contradiction import (
    CONTRADICTS_SIGMAS,
    Contradiction,
    LateReadings,
    ProofHeld,
    miscounted,
)
from faults.tracing.expected import OnOffPredictor
from faults.tracing.far_wires import FarWires, far_wires
from faults.tracing.messages import SET_SPREAD
from faults.tracing.observations import Joint
from faults.tracing.planner import Choice, Ground, Planner
from faults.tracing.posterior import CONTROLLER, NONE, OTHER, OVERLOAD, Apart, Posterior
from faults.tracing.problem import TraceProblem
from faults.tracing.proof import (
    Examiner,
    TestWeights,
    rivals_of,
)
from faults.tracing.proof_course import CablesCounted, NextTest, ProofCourse, ProofLeft
from faults.tracing.reckoner import Reckoner
from faults.tracing.rig_places import node_of_joint
from faults.tracing.sight import Sight, look_over
from faults.tracing.state import TraceState
from faults.tracing.step import Found
from faults.tracing.watch import WatchWire, home_node, watch_wire
from sites.network.faults import Place

FloatArray = NDArray[np.float64]

LEAK_SHARE = 0.2
"""Current in both conductors together over that in one from which on a fault is to earth."""

PLACE_KINDS = ("device", "splice", "segment", "unmapped")
LITTLE_DRAW = -4.0
"""log draw scale over its spread below which a path is taken to be cut off somewhere."""


@dataclass(frozen=True)
class Case:
    """The state of a trace, its posterior, and the tools that reckon with them."""

    problem: TraceProblem
    state: TraceState
    posterior: Posterior
    reckoner: Reckoner
    planner: Planner
    closed_loops: tuple[Joint, ...] = ()
    held: ProofHeld | None = None

    # -- chances with the proving tests reckoned in

    @cached_property
    def _adjusted(self) -> tuple[FloatArray, float]:
        """(chance of each place (H,), factor on what is no place)."""
        return self._with_tests(self.posterior.chance)

    @cached_property
    def _bare(self) -> tuple[FloatArray, float]:
        """The same had the history of failures said nothing: endings and proofs go by these."""
        own = self.posterior.hypotheses
        if not own.history_tells:
            return self._adjusted
        return self._with_tests(own.without_history(self.posterior.chance))

    def _with_tests(self, chance: FloatArray) -> tuple[FloatArray, float]:
        """Chances of places beside the posterior's *apart*, the proving tests reckoned in."""
        # Chances that sum to 1 may do so to a digit too much.
        apart = max(0.0, 1.0 - float(self.posterior.chance.sum()))
        for suspect in self.tested:
            if suspect not in self.posterior.hypotheses.index:
                continue
            examiner = self.examiner(suspect)
            weights = self._weigh(examiner, isolated_only=True)
            group = examiner.rivals.group
            factor = np.exp(-np.clip(weights.against, -60.0, 60.0))
            factor[~np.isfinite(weights.against)] = 1.0
            chance = chance * np.where(group >= 0, factor[np.maximum(group, 0)], 1.0)
            apart *= math.exp(-max(-60.0, min(60.0, weights.against_other)))
        total = float(chance.sum()) + apart
        before = max(1e-300, 1.0 - float(self.posterior.chance.sum()))
        return np.minimum(chance / total, 1.0), apart / total / before

    @property
    def tested(self) -> tuple[Place, ...]:
        """Places that were isolated while something was read."""
        places = {place for reading in self.state.log for place in reading.isolated}
        return tuple(sorted(places, key=str))

    def chance_of(self, place: Place) -> float:
        """The chance of one hypothesis."""
        return self._chance_in(self._adjusted, place)

    def bare_chance_of(self, place: Place) -> float:
        """The chance of one hypothesis had the history of failures said nothing."""
        return self._chance_in(self._bare, place)

    def _chance_in(self, chances: tuple[FloatArray, float], place: Place) -> float:
        chance, apart = chances
        index = self.posterior.hypotheses.index.get(place)
        if index is not None:
            return float(chance[index])
        return self.posterior.chance_of(place) * apart

    @cached_property
    def place_chance(self) -> float:
        """The chance that the fault is at some place on the path, history left out."""
        return float(self._bare[0].sum())

    @cached_property
    def apart(self) -> Apart:
        """Chances of what is no place by the readings, history and proving tests left out."""
        own, posterior = self.posterior.hypotheses, self.posterior
        if not own.history_tells:
            return posterior.apart
        places = float(own.without_history(posterior.chance).sum())
        share = 1.0 / (places + max(0.0, 1.0 - float(posterior.chance.sum())))
        return Apart(**{name: value * share for name, value in asdict(posterior.apart).items()})

    def ranked(self, count: int) -> list[tuple[Place, float]]:
        """The likeliest hypotheses."""
        chance, _ = self._adjusted
        places = self.posterior.hypotheses.places
        ranked = [(places[i], float(chance[i])) for i in self._likeliest_first[:count]]
        ranked += [(p, self.chance_of(p)) for p in (NONE, CONTROLLER, OVERLOAD, OTHER)]
        ranked.sort(key=lambda pair: -pair[1])
        return ranked[:count]

    @cached_property
    def _likeliest_first(self) -> NDArray[np.int64]:
        return np.argsort(-self._adjusted[0], kind="stable")

    def suspects(self, count: int) -> tuple[Found, ...]:
        """The likeliest as findings that are not proved."""
        return tuple(
            Found(at=place, kind="short", chance=float(min(1.0, max(0.0, chance))), proved=False)
            for place, chance in self.ranked(count)
        )

    # -- the proof of one suspect

    def examiner(self, suspect: Place) -> Examiner:
        """The examiner of a suspect, with what its wires should read."""
        view = self.posterior.view
        home = home_node(view, suspect, self._device_node)
        watch = watch_wire(view, suspect, home)
        rivals = rivals_of(view, self.posterior.hypotheses, suspect, home)
        far = None
        onward_home = home
        if suspect.kind == "segment":
            end = view.far_node(suspect.id)
            onward_home = end or home
            far = WatchWire(end, suspect.id) if end else None
        predictor = OnOffPredictor(
            self.problem, self.posterior, self.reckoner.sound_scales, self.reckoner.beliefs
        )
        expected = predictor.of(
            suspect, watched=watch, onward_home=onward_home, onward=rivals.wires
        )
        return Examiner(
            suspect=suspect,
            watch=watch,
            far=far,
            rivals=rivals,
            expected=expected,
            beliefs=self.reckoner.beliefs,
            counted_log=self._counted(home).log_factor,
        )

    @cached_property
    def _device_node(self) -> dict[str, str]:
        return {device.id: device.node for device in self.problem.path.devices}

    def _weigh(self, examiner: Examiner, *, isolated_only: bool) -> TestWeights:
        count = len(examiner.rivals.wires) + 2
        group = examiner.rivals.group
        members = np.bincount(group[group >= 0], minlength=count) > 0
        return examiner.weigh(
            self.state.log, members.astype(np.float64), isolated_only=isolated_only
        )

    def next_test(self, suspect: Place) -> NextTest:
        """What the proof of a suspect needs next."""
        return self._proof_course(suspect).next()

    def proof_left(self, suspect: Place) -> ProofLeft:
        """What the proof of a suspect still takes at the least."""
        return self._proof_course(suspect).left()

    def was_cut_off(self, suspect: Place) -> bool:
        """Whether all beyond a suspect was off with it when it was to be taken out."""
        return self._proof_course(suspect).cuts > 0

    def _proof_course(self, suspect: Place) -> ProofCourse:
        examiner = self.examiner(suspect)
        return ProofCourse(
            examiner=examiner,
            log=self.state.log,
            off_now=suspect in self.state.rig.isolated,
            sitting=self.state.sitting,
            counted=self._counted(examiner.watch.node),
            comes_and_goes=self.comes_and_goes,
            weights=self._weigh(examiner, isolated_only=False),
            chance=self.bare_chance_of(suspect),
            leakage_wanted=self.leakage_wanted,
        )

    @property
    def contradiction(self) -> Contradiction | None:
        """What came after the proof of the place being proved and speaks against it."""
        held = self.held
        if held is None or held.suspect != self.state.proving:
            return None
        predictor = OnOffPredictor(
            self.problem, held.posterior, self.reckoner.sound_scales, self.reckoner.beliefs
        )
        late = LateReadings(held, predictor, self.state.log, self.comes_and_goes)
        found = late.contradiction()
        if found is None and held.suspect.kind == "splice":
            on_map = self.reckoner.cables_on_map(held.suspect.id)
            counts = self.state.evidence.counts[held.counts :]
            seen = [count.seen == on_map for count in counts if count.node == held.suspect.id]
            found = miscounted(seen.count(True), seen.count(False), held.suspect.id)
        return found

    def _counted(self, node: str) -> CablesCounted:
        on_map = self.reckoner.cables_on_map(node)
        seen = [c.seen == on_map for c in self.state.evidence.counts if c.node == node]
        return CablesCounted(sum(seen), len(seen) - sum(seen), node in self.state.evidence.no_stray)

    @property
    def comes_and_goes(self) -> bool:
        """Whether a look with all legs on did not show what another showed."""
        whole = [look.shown for look in self.state.evidence.looks if look.legs_on is None]
        return bool(whole) and not all(whole)

    def shows_with_it_off(self, suspect: Place) -> bool:
        """Whether most looks with the suspect alone off showed the message, on a path that without
        a fault draws too little for it: at least three sigma below the trip."""
        looks = [shown for shown, off in self.state.looks_off if off == frozenset({suspect})]
        if 2 * sum(looks) <= len(looks):
            return False
        path, beliefs = self.problem.path, self.reckoner.beliefs
        draw = self.posterior.draw
        sound_ma = sum(device.draw_ma for device in path.devices) * math.exp(draw.centre)
        trip_spread = math.hypot(max(path.trip_spread, beliefs.trip_spread), SET_SPREAD)
        spread_ma = math.hypot(trip_spread * path.trip_ma, beliefs.draw_log_spread * sound_ma)
        return path.trip_ma - sound_ma >= CONTRADICTS_SIGMAS * spread_ma

    @property
    def leakage_wanted(self) -> bool:
        """Whether both conductors must be clamped together once: on an earthed path a fault to
        earth looks like a short to a clamp on one."""
        earthed = self.problem.path.earth_reference_ohm is not None
        return earthed and self.state.leakage_ma is None

    # -- planning

    @cached_property
    def sight(self) -> Sight:
        """What every wire can tell now."""
        return look_over(self.posterior, self.problem.meter)

    def choose(self) -> Choice | None:
        """The wire to clamp next."""
        return self.planner.choose(self.posterior, self.sight, self.ground)

    def search_endings(self, *, stays: bool) -> tuple[tuple[float, float], ...]:
        """(chance, minutes) of every way that the search from here may end; ``stays``: another
        wire is read here first."""
        return self.planner.endings(self.posterior, self.sight, self.ground, stays=stays)

    @property
    def ground(self) -> Ground:
        """Where the technician stands and what has been read."""
        read: dict[tuple[str, str | None], int] = {}
        for reading in self.state.log:
            key = (reading.node, reading.wire)
            read[key] = read.get(key, 0) + 1
        return Ground(
            here=self.state.position.node,
            closed=self.state.closed,
            visited=frozenset(node for node, _ in read),
            read=read,
            no_stray=self.state.evidence.no_stray,
        )

    # -- whether a sound path is whole

    @cached_property
    def _far_wires(self) -> FarWires:
        return far_wires(
            self.reckoner.sound_scales, self.posterior, self.state.evidence, self.problem.meter
        )

    @property
    def dead_wire(self) -> str | None:
        """A wire that carries far less than the sound path's, read twice."""
        return self._far_wires.dead

    @property
    def unseen_wire(self) -> tuple[str, str] | None:
        """(node, segment) of the far wire with the most draw that was not read yet."""
        wires = self._far_wires.unseen
        return next((wire for wire in wires if wire[0] not in self.state.closed), None)

    @property
    def leaks_to_earth(self) -> bool:
        """Whether both conductors together carried a good part of the current."""
        leak, suspect = self.state.leakage_ma, self.state.proving
        if leak is None or suspect is None:
            return False
        expected = self.examiner(suspect).expected
        return leak > max(LEAK_SHARE * expected.on_ma, 4.0 * expected.meter_ma)

    # -- what is around it

    @property
    def draws_too_little(self) -> bool:
        """Whether the sound path's draw lies far below the map's."""
        draw = self.posterior.draw
        return draw.centre < LITTLE_DRAW * self.reckoner.beliefs.draw_log_spread

    def nodes_of(self, joints: tuple[Joint, ...]) -> set[str]:
        """The nodes at which joints lie."""
        return {node_of_joint(self.problem.path, joint) for joint in joints}
