"""A dense Newton solve of a sound path with nonlinear devices, sharing nothing with the engine.

Unknowns: real and imaginary part of the voltage between the conductors at each node. A segment
is its loop impedance, which holds where both conductors carry the same.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import numpy.typing as npt

from sites.network.elements import Device, WirePath
from tests.network.spice_netlist import COPPER


def draw_a(device: Device, source_v: float, volt: complex) -> complex:
    """The current a device takes at this voltage, by the words of the survey form."""
    size, amps = abs(volt), device.draw_ma / 1000.0
    if device.model == "knee":
        amount = amps if size >= (device.knee_v or 0.0) else amps * size / (device.knee_v or 1.0)
    elif device.model == "power":
        amount = amps * source_v / size
    else:
        amount = amps * size / source_v
    lag = math.acos(device.power_factor)
    return amount * volt / size * complex(math.cos(lag), -math.sin(lag))


def node_voltages(
    path: WirePath,
    coil_ohm: complex = 0j,
    shorts: dict[str, float] | None = None,
    off: frozenset[str] = frozenset(),
) -> dict[str, complex] | None:
    """Voltages by node, or None where Newton finds no state; ``shorts``: node id to ohms."""
    at = {node.id: k for k, node in enumerate(path.nodes)}
    matrix, inject = _linear(path, at, coil_ohm, shorts or {})
    devices = [d for d in path.devices if d.draw_ma > 0.0 and d.id not in off]
    volts = np.linalg.solve(matrix, inject)
    for _ in range(200):
        residual = matrix @ volts - inject
        count = len(volts)
        jacobian = np.block([[matrix.real, -matrix.imag], [matrix.imag, matrix.real]])
        for device in devices:
            k = at[device.node]
            residual[k] += draw_a(device, path.source_v, volts[k])
            for column, step in ((k, 1e-7), (k + count, 1e-7j)):
                change = (
                    draw_a(device, path.source_v, volts[k] + step)
                    - draw_a(device, path.source_v, volts[k] - step)
                ) / 2e-7
                jacobian[k, column] += change.real
                jacobian[k + count, column] += change.imag
        if np.max(np.abs(residual)) < 1e-13:
            return dict(zip(at, volts, strict=True))
        move = np.linalg.solve(jacobian, np.concatenate([residual.real, residual.imag]))
        move_v = move[:count] + 1j * move[count:]
        damp = min(1.0, 0.3 * float(np.min(np.abs(volts))) / float(np.max(np.abs(move_v))))
        volts = volts - damp * move_v
    return None


def consistent_states(
    path: WirePath, coil_ohm: complex = 0j, shorts: dict[str, float] | None = None
) -> list[tuple[frozenset[str], dict[str, complex]]]:
    """Every set of devices off that agrees with the voltages it brings about, by trying all."""
    switched = [device for device in path.devices if device.off_below_v]
    states = []
    for choice in itertools.product((False, True), repeat=len(switched)):
        off = frozenset(d.id for d, is_off in zip(switched, choice, strict=True) if is_off)
        volts = node_voltages(path, coil_ohm, shorts, off)
        if volts is not None and all(
            (abs(volts[d.node]) < (d.off_below_v or 0.0)) == (d.id in off) for d in switched
        ):
            states.append((off, volts))
    return states


def _linear(
    path: WirePath, at: dict[str, int], coil_ohm: complex, shorts: dict[str, float]
) -> tuple[npt.NDArray[np.complex128], npt.NDArray[np.complex128]]:
    matrix = np.zeros((len(at), len(at)), dtype=np.complex128)
    for segment in path.segments:
        per_km = COPPER[segment.conductor] * (1.0 + 0.00393 * (path.conductor_temp_c - 20.0))
        ohm = complex(per_km, segment.reactance_ohm_per_km) * segment.length_m / 500.0
        one, other = at[segment.from_node], at[segment.to_node]
        matrix[[one, other], [one, other]] += 1.0 / ohm
        matrix[[one, other], [other, one]] -= 1.0 / ohm
    for node_id, ohm in shorts.items():
        matrix[at[node_id], at[node_id]] += 1.0 / ohm
    inject = np.zeros(len(at), dtype=np.complex128)
    root = at[path.controller.id]
    matrix[root, root] += 1.0 / (path.source_ohm + coil_ohm)
    inject[root] = path.source_v / (path.source_ohm + coil_ohm)
    return matrix, inject
