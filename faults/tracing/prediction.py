"""What every wire carries under every hypothesis: the sound tree solved once, faults by formula.

The terminals are driven by 1 V. With D the sound voltage of a point, Z its driving-point
impedance, and a short R at point h: I_f = D_h / (Z_hh + R), the voltage of any point x is
V_x = D_x (1 - I_f D_h w_a) with w = Z / D**2 taken at the last common ancestor a of x and h
(reciprocity and superposition; ladder network theory, checked against a dense nodal solve in
tests/tracing). The current into the terminals is the sound one plus I_f D_h.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faults.tracing.tree_view import ComplexArray, IntArray, TreeView
from sites.network.tree_solver import sweep

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SoundTree:
    """The sound path at S draw scales: arrays of shape (P, S), for 1 V at the terminals.

    ``voltage`` D, ``driving_ohm`` Z, ``edge_current`` of the edge above each point,
    ``ratio`` w = Z / D**2, ``grip`` kappa: the share of a fault's current that an edge on its
    way carries, over D_h. ``total`` (S,) is the current into the terminals.
    """

    view: TreeView
    scales: FloatArray
    voltage: ComplexArray
    driving_ohm: ComplexArray
    edge_current: ComplexArray
    ratio: ComplexArray
    grip: ComplexArray
    total: ComplexArray

    def columns(self, which: slice) -> SoundTree:
        """The same tree at some of its scales, as a view."""
        return SoundTree(
            self.view,
            self.scales[which],
            self.voltage[:, which],
            self.driving_ohm[:, which],
            self.edge_current[:, which],
            self.ratio[:, which],
            self.grip[:, which],
            self.total[which],
        )


@dataclass(frozen=True, slots=True)
class SolvedColumns:
    """Sound trees of one view by draw scale, so that none is solved twice."""

    view: TreeView
    columns: dict[float, tuple[ComplexArray, ComplexArray, complex]]

    def at(self, scales: FloatArray) -> SoundTree:
        """The sound tree at these scales."""
        for scale in scales.tolist():
            if scale not in self.columns:
                self.columns[scale] = _solve_one(self.view, scale)
        return _assembled(self.view, scales, [self.columns[scale] for scale in scales.tolist()])


def solve_sound(view: TreeView, scales: FloatArray) -> SoundTree:
    """Solve the sound path at each draw scale. O(P) for each."""
    return SolvedColumns(view, {}).at(scales)


def _assembled(
    view: TreeView,
    scales: FloatArray,
    columns: list[tuple[ComplexArray, ComplexArray, complex]],
) -> SoundTree:
    voltage = np.stack([c[0] for c in columns], axis=1)
    driving = np.stack([c[1] for c in columns], axis=1)
    total = np.array([c[2] for c in columns])
    up = view.parent
    z = view.z_ohm[1:, None]
    edge_current = np.zeros_like(voltage)
    edge_current[1:] = (voltage[up[1:]] - voltage[1:]) / z
    grip = np.zeros_like(voltage)
    lean = driving / voltage
    grip[1:] = (lean[up[1:]] - lean[1:]) / z
    return SoundTree(
        view, scales, voltage, driving, edge_current, driving / voltage**2, grip, total
    )


def _solve_one(view: TreeView, scale: float) -> tuple[ComplexArray, ComplexArray, complex]:
    """(D, Z, total current) for one draw scale: one pass up, one pass down.

    With r the voltage of a point over that of the one before it, Z = r (r Z_before + z).
    """
    z, load = view.z_ohm, view.load_s * scale + view.fixed_s
    reactive = z.imag.any() or load.imag.any()
    parent = view.parent.tolist()
    voltage, down = sweep(
        parent,
        (z if reactive else z.real).tolist(),
        (load if reactive else load.real).tolist(),
    )
    ratio = 1.0 / (1.0 + z * np.array(down))
    driving: list[complex] = [0.0]
    for before, square, own in zip(
        parent[1:], (ratio[1:] ** 2).tolist(), (z * ratio)[1:].tolist(), strict=True
    ):
        driving.append(square * driving[before] + own)
    return (
        np.array(voltage, dtype=np.complex128),
        np.array(driving, dtype=np.complex128),
        complex(down[0]),
    )


@dataclass(frozen=True, slots=True)
class FaultSet:
    """Shorts at ``points`` (K,), each with its own R nodes (K, R), on a sound tree with S scales.

    A negative point is the sound path. ``fault_current`` and ``total`` are (K, R, S): the
    current of the short and into the terminals, for 1 V there.
    """

    sound: SoundTree
    points: IntArray
    resistance_ohm: FloatArray
    fault_current: ComplexArray
    total: ComplexArray
    magnitude: FloatArray

    @property
    def input_ohm(self) -> ComplexArray:
        """What the terminals look into (K, R, S)."""
        return 1.0 / self.total


def place_faults(sound: SoundTree, points: IntArray, resistance_ohm: FloatArray) -> FaultSet:
    """Shorts of ``resistance_ohm`` (R,) or (K, R) at ``points`` (K,)."""
    where = np.maximum(points, 0)
    resistance = np.broadcast_to(
        np.atleast_2d(resistance_ohm), (len(points), _width(resistance_ohm))
    )
    d = sound.voltage[where][:, None, :]
    z = sound.driving_ohm[where][:, None, :]
    current = d / (z + resistance[:, :, None])
    current[points < 0] = 0.0
    total = sound.total[None, None, :] + current * d
    return FaultSet(sound, points, resistance_ohm, current, total, np.abs(total))


def _width(resistance_ohm: FloatArray) -> int:
    return int(np.atleast_2d(resistance_ohm).shape[1])


def point_voltage(faults: FaultSet, point: int) -> ComplexArray:
    """Voltage of ``point`` under each fault (K, R, S)."""
    sound = faults.sound
    where = np.maximum(faults.points, 0)
    shared = sound.view.last_common(point)[where]
    pull = (sound.ratio[shared] * sound.voltage[where])[:, None, :]
    return np.asarray(sound.voltage[point] * (1.0 - faults.fault_current * pull))


def edge_ratio(faults: FaultSet, edge: int) -> FloatArray:
    """|current of an edge| over |current into the terminals| under each fault (K, R, S)."""
    sound = faults.sound
    view = sound.view
    where = np.maximum(faults.points, 0)
    beyond = (faults.points >= edge) & (faults.points < view.last[edge])
    shared = view.last_common(int(view.parent[edge]))[where]
    d = sound.voltage[where]
    # Carried: I0 - I_f D_h kappa. Passed by: I0 (1 - I_f D_h w).
    factor = np.where(
        beyond[:, None], -sound.grip[edge], -sound.edge_current[edge] * sound.ratio[shared]
    )
    current = sound.edge_current[edge] + faults.fault_current * (d * factor)[:, None, :]
    return _over(np.abs(current), faults.magnitude)


def lead_ratio(
    faults: FaultSet, point: int, admittance_s: complex, carries: NDArray[np.bool_]
) -> FloatArray:
    """The same for a lead at ``point``: its device's own draw, and the fault it ``carries``."""
    voltage = point_voltage(faults, point)
    current = voltage * (admittance_s * faults.sound.scales)
    current = current + np.where(carries[:, None, None], faults.fault_current, 0.0)
    return _over(np.abs(current), faults.magnitude)


def _over(current: FloatArray, total: FloatArray) -> FloatArray:
    return np.divide(current, total, out=np.zeros_like(current), where=total > 0.0)


def voltage_profile(
    sound: SoundTree, point: int, resistance_ohm: float, column: int
) -> ComplexArray:
    """Voltage of every point (P,) with one short (none where ``point`` < 0), one draw scale."""
    d = sound.voltage[:, column]
    if point < 0:
        return d
    current = d[point] / (sound.driving_ohm[point, column] + resistance_ohm)
    shared = sound.view.last_common(point)
    return np.asarray(d * (1.0 - current * d[point] * sound.ratio[shared, column]))
