"""Any path, both conductors and earth in full: sparse LU of the nodal system.

For loops, and wherever the current in a and b may differ: opens on a loop, faults to earth. A
*terminal* is one conductor at one place. Terminal 2i is conductor a at node i, 2i + 1 is b; ends
that are apart, spots along segments and opened leads get terminals of their own.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from sites.network.device_models import BoolArray, Rest
from sites.network.effects import A, B, Effects, Spot
from sites.network.graph import FROM, TO, Topology, incoming_ends
from sites.network.prepared import LEAST_OHM, PreparedPath
from sites.network.solution import Solution

IntArray = npt.NDArray[np.int64]
ComplexArray = npt.NDArray[np.complex128]

_TIE_SIEMENS = 1.0

_HOLDING_SIEMENS = 1e-12
"""What holds no potential against rounding: at 28 V less than 0.03 nA flows there."""


@dataclass(slots=True)
class _Branches:
    """Admittances between terminals, beside those the arrays of segments and devices hold."""

    one: list[int] = field(default_factory=list)
    other: list[int] = field(default_factory=list)
    siemens: list[complex] = field(default_factory=list)

    def add(self, one: int, other: int, siemens: complex) -> None:
        self.one.append(one)
        self.other.append(other)
        self.siemens.append(siemens)


@dataclass(frozen=True, slots=True, eq=False)
class LoopResponse:
    """``terminal_v`` (terminals,) against conductor b at the source; ``device_v`` (D,)."""

    terminal_v: ComplexArray
    device_v: ComplexArray
    source_current_a: complex


class LoopNetwork:
    """A path under a condition as branches between terminals.

    ``ends`` (S, 2, 2): terminal of each segment's end and conductor; ``heads`` alike: the next
    terminal inwards; ``head_siemens`` (S, 2): of the piece between, by end; ``leads`` (D, 2).
    """

    def __init__(self, prepared: PreparedPath, base: Topology, effects: Effects) -> None:
        self._prepared, self._effects = prepared, effects
        node_count = len(prepared.path.nodes)
        self._count = 2 * node_count
        self._pairs: list[tuple[int, int]] = []
        self._extra = _Branches()
        conductors = np.array([A, B])
        self._source = [2 * prepared.controller + A, 2 * prepared.controller + B]
        self._ends: IntArray = 2 * prepared.segment_nodes[:, :, None] + conductors
        self._leads: IntArray = 2 * prepared.devices.node[:, None] + conductors
        self._part_joints()
        self._open_splices(base)
        self._heads: IntArray = self._ends[:, ::-1, :].copy()
        siemens = 1.0 / prepared.conductor_ohm
        self._head_siemens: ComplexArray = np.stack([siemens, siemens], axis=1)
        self._earth = self._new_terminal()
        for segment, spots in effects.spots.items():
            self._divide(segment, spots)
        self._open_leads()
        self._add_faults()
        self._cores: IntArray = np.arange(2 * node_count, dtype=np.int64).reshape(-1, 2)

    @property
    def lifted(self) -> BoolArray:
        """Devices that are not connected with either conductor (D,)."""
        lifted = np.zeros(len(self._prepared.devices.node), dtype=np.bool_)
        lifted[list(self._effects.devices_off)] = True
        return lifted

    def respond(self, device_siemens: ComplexArray) -> LoopResponse:
        """Solve with these device admittances (D,)."""
        one, other, siemens = self._tied(*self._all_branches(device_siemens))
        path, ground, source = self._prepared.path, self._source[B], self._count
        rows = np.concatenate([one, other, one, other])
        columns = np.concatenate([one, other, other, one])
        values = np.concatenate([siemens, siemens, -siemens, -siemens])
        kept = (rows != ground) & (columns != ground)
        source_ohm = path.source_ohm + self._effects.coil_ohm
        # One row more for the current out of the source, and V = 0 for the ground itself.
        rows = np.concatenate([rows[kept], [ground, self._source[A], source, source]])
        columns = np.concatenate([columns[kept], [ground, source, self._source[A], source]])
        values = np.concatenate([values[kept], [1.0, -1.0, 1.0, source_ohm]])
        matrix = coo_array((values, (rows, columns)), shape=(source + 1, source + 1)).tocsc()
        right = np.zeros(source + 1, dtype=np.complex128)
        right[source] = path.source_v
        solved = splu(matrix, permc_spec="MMD_AT_PLUS_A").solve(right)
        return LoopResponse(
            terminal_v=solved[:source],
            device_v=solved[self._leads[:, A]] - solved[self._leads[:, B]],
            source_current_a=complex(solved[source]),
        )

    def solution(self, rest: Rest[LoopResponse]) -> Solution:
        """Currents in every wire from the voltages of the terminals."""
        prepared, terminal_v = self._prepared, rest.response.terminal_v
        across_end = terminal_v[self._ends[:, :, A]] - terminal_v[self._ends[:, :, B]]
        inwards = (terminal_v[self._ends] - terminal_v[self._heads]) * self._head_siemens[
            :, :, None
        ]
        taken = prepared.end_siemens[:, None] * across_end
        inwards[:, :, A] += taken
        inwards[:, :, B] -= taken
        inwards[:, TO, :] *= -1.0
        inwards[:, :, B] *= -1.0
        return Solution(
            prepared=prepared,
            solver="loop",
            controller_current_a=rest.response.source_current_a,
            node_v=terminal_v[0 : 2 * len(prepared.path.nodes) : 2]
            - terminal_v[1 : 2 * len(prepared.path.nodes) : 2],
            segment_a=inwards,
            device_a=self._device_currents(rest),
            device_siemens=rest.device_siemens,
        )

    def _device_currents(self, rest: Rest[LoopResponse]) -> ComplexArray:
        siemens = rest.device_siemens.copy()
        for device, short in self._effects.device_short.items():
            siemens[device] += short
        through = siemens * rest.response.device_v
        current = np.stack([through, through], axis=1)
        earth_v = rest.response.terminal_v[self._earth]
        for device, conductor, leak in self._effects.device_leaks:
            leaked = leak * (rest.response.terminal_v[self._leads[device, conductor]] - earth_v)
            current[device, conductor] += leaked if conductor == A else -leaked
        for device, conductor in self._effects.device_opens:
            current[device, conductor] = 0.0
        return current

    def _all_branches(
        self, device_siemens: ComplexArray
    ) -> tuple[IntArray, IntArray, ComplexArray]:
        """All branches as arrays: whole segments, capacitances, devices, and the rest."""
        prepared, ends, extra = self._prepared, self._ends, self._extra
        whole = np.ones(len(ends), dtype=np.bool_)
        whole[list(self._effects.spots)] = False
        along = np.repeat(1.0 / prepared.conductor_ohm[whole], 2)
        one = [ends[whole, FROM, :].ravel(), self._leads[:, A], np.array(extra.one, dtype=np.int64)]
        other = [
            ends[whole, TO, :].ravel(),
            self._leads[:, B],
            np.array(extra.other, dtype=np.int64),
        ]
        siemens = [along, device_siemens, np.array(extra.siemens, dtype=np.complex128)]
        if prepared.path.capacitance_nf_per_km:
            one.append(ends[:, :, A].ravel())
            other.append(ends[:, :, B].ravel())
            siemens.append(np.repeat(prepared.end_siemens, 2))
        return np.concatenate(one), np.concatenate(other), np.concatenate(siemens)

    def _new_terminal(self) -> int:
        self._count += 1
        return self._count - 1

    def _part_joints(self) -> None:
        for segment, end in sorted(self._effects.apart):
            self._ends[segment, end] = pair = (self._new_terminal(), self._new_terminal())
            self._pairs.append(pair)

    def _open_splices(self, base: Topology) -> None:
        """Part the incoming end from all others; on a loop, each end on that conductor.

        What comes in at the controller is the source.
        """
        for node, conductor in sorted(self._effects.node_opens):
            if node == self._prepared.controller:
                self._source[conductor] = self._new_terminal()
                continue
            parted = incoming_ends(base, node, self._prepared.controller)
            if len(parted) != 1:
                parted = tuple(
                    (int(segment), int(end))
                    for segment, end in np.argwhere(base.end_points == node)
                )
            for segment, end in parted:
                self._ends[segment, end, conductor] = self._new_terminal()
                one, other = self._ends[segment, end].tolist()
                self._pairs.append((one, other))

    def _divide(self, segment: int, spots: list[Spot]) -> None:
        """Make a chain of pieces of a segment, with what is wrong at each spot."""
        ohm = complex(self._prepared.conductor_ohm[segment])
        left, done = self._ends[segment, FROM].tolist(), 0.0
        for spot in spots:
            if spot.fraction > done:
                pair = self._new_pair()
                siemens = self._piece(left, pair, (spot.fraction - done) * ohm)
                if done == 0.0:
                    self._heads[segment, FROM] = pair
                    self._head_siemens[segment, FROM] = siemens
                left, done = pair, spot.fraction
            left = self._add_spot(spot, left)
        last = self._piece(left, self._ends[segment, TO].tolist(), (1.0 - done) * ohm)
        self._heads[segment, TO], self._head_siemens[segment, TO] = left, last

    def _piece(self, left: list[int], right: list[int], ohm: complex) -> complex:
        siemens = 1.0 / max(ohm, LEAST_OHM, key=abs)
        for conductor in (A, B):
            self._extra.add(left[conductor], right[conductor], siemens)
        return siemens

    def _new_pair(self) -> list[int]:
        pair = [self._new_terminal(), self._new_terminal()]
        self._pairs.append((pair[A], pair[B]))
        return pair

    def _add_spot(self, spot: Spot, pair: list[int]) -> list[int]:
        """Put a fault at a spot; returns the terminals from which the next piece goes on."""
        if spot.kind == "short":
            self._extra.add(pair[A], pair[B], spot.siemens)
        elif spot.kind == "earth":
            self._extra.add(pair[spot.conductor], self._earth, spot.siemens)
        else:
            pair = pair.copy()
            pair[spot.conductor] = self._new_terminal()
            self._pairs.append((pair[A], pair[B]))
        return pair

    def _open_leads(self) -> None:
        for device, conductor in sorted(self._effects.device_opens):
            self._leads[device, conductor] = self._new_terminal()
            one, other = self._leads[device].tolist()
            self._pairs.append((one, other))

    def _add_faults(self) -> None:
        effects, extra = self._effects, self._extra
        for node, short in effects.node_short.items():
            extra.add(2 * node + A, 2 * node + B, short)
        for device, short in effects.device_short.items():
            extra.add(int(self._leads[device, A]), int(self._leads[device, B]), short)
        for node, conductor, leak in effects.node_leaks:
            extra.add(2 * node + conductor, self._earth, leak)
        for device, conductor, leak in effects.device_leaks:
            extra.add(int(self._leads[device, conductor]), self._earth, leak)
        reference_ohm = self._prepared.path.earth_reference_ohm
        if effects.leaks and reference_ohm is not None:
            extra.add(
                2 * self._prepared.controller + B, self._earth, 1.0 / max(reference_ohm, LEAST_OHM)
            )
        else:
            extra.add(self._source[B], self._earth, _TIE_SIEMENS)

    def _tied(
        self, one: IntArray, other: IntArray, siemens: ComplexArray
    ) -> tuple[IntArray, IntArray, ComplexArray]:
        """Give terminals that nothing holds a potential, by ties in which no current can flow.

        Every tie joins two parts that were not connected, so no ring is made; a part that hangs
        on one conductor only is thus at no voltage between its conductors.
        """
        held = np.abs(siemens) > _HOLDING_SIEMENS
        source_a, source_b = self._source
        rows, columns = np.append(one[held], source_a), np.append(other[held], source_b)
        links = (np.ones(len(rows), dtype=np.int8), (rows, columns))
        shape = (self._count, self._count)
        count, part = connected_components(coo_array(links, shape=shape), directed=False)
        if count == 1:
            return one, other, siemens
        pairs = np.concatenate([self._cores, np.array(self._pairs, dtype=np.int64).reshape(-1, 2)])
        ties = _forest(part, pairs[part[pairs[:, A]] != part[pairs[:, B]]], source_b)
        extra = np.array(ties, dtype=np.int64).reshape(-1, 2)
        return (
            np.concatenate([one, extra[:, 0]]),
            np.concatenate([other, extra[:, 1]]),
            np.concatenate([siemens, np.full(len(extra), _TIE_SIEMENS, dtype=np.complex128)]),
        )


def _forest(part: npt.NDArray[np.int32], pairs: IntArray, ground: int) -> list[tuple[int, int]]:
    """Pairs of terminals that join all parts without a ring; what is left is tied to ground."""
    joined = list(range(int(part.max()) + 1))

    def root(of: int) -> int:
        while joined[of] != of:
            of = joined[of]
        return of

    lone = np.unique(part, return_index=True)[1]
    ties = []
    for first, second in [*pairs.tolist(), *((int(at), ground) for at in lone)]:
        one, other = root(int(part[first])), root(int(part[second]))
        if one != other:
            joined[one] = other
            ties.append((first, second))
    return ties
