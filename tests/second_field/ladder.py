"""Voltages and currents on a tree of series impedances, by one sweep up and one sweep down.

Rows are in preorder, so a parent always has a lower number. Row 0 is fed by the source through
`series_ohm[0]`. A device draws f(|V|) in phase with V. Linearised at the last voltage that is
`direct · V + mirrored · conj(V) + offset` with direct = (f' + f/|V|) / 2 and mirrored =
(f' - f/|V|) / 2 · (V/|V|)²; the sweeps are exact for it, and Newton's turns for the devices.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.second_field.loads import Loads

NEWTON_TURNS = 12
SLOW_TURNS = 50
SHARES_OF_SLOW_TURNS = (0.15, 0.08, 0.04, 0.02, 0.01)
# Newton squares what is left: the voltages after a move of 10 µV are good to some nV.
SETTLED_V = 1e-5


Rows = NDArray[np.complex128]


class NotSettled(Exception):
    """The devices found no steady state."""


@dataclass(frozen=True, slots=True)
class Tree:
    """`parent[i] < i`; `parted` rows have their feed cut. Impedances in ohms, shunts in siemens."""

    parent: list[int]
    series_ohm: Rows
    shunt_s: Rows
    parted: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Settled:
    """Voltage of each row, current through each row's feed, and each device's current (A)."""

    voltage_v: Rows
    feed_a: Rows
    device_a: Rows


def settle(tree: Tree, loads: Loads, line_v: float, start_v: Rows | None = None) -> Settled:
    """Steady state at `line_v` behind row 0. Cost O(rows) for each turn, some 3 to 6 turns.

    Raises:
        NotSettled: when the devices keep moving after all turns.
    """
    line = complex(line_v)
    voltage = np.full(len(tree.parent), line) if start_v is None else start_v
    for share in SHARES_OF_SLOW_TURNS:
        found = _newton(tree, loads, line, voltage)
        if found is not None:
            return found
        voltage = _slowly(tree, loads, line, share)
    raise NotSettled("the devices keep switching on and off")


def _newton(tree: Tree, loads: Loads, line_v: complex, voltage: Rows) -> Settled | None:
    for _ in range(NEWTON_TURNS):
        swept, feed = _sweep(tree, _linearised(tree, loads, voltage), line_v)
        move = float(np.max(np.abs(swept - voltage)))
        if move < SETTLED_V:
            return Settled(swept, feed, _device_currents(loads, swept))
        if not move < 20.0 * abs(line_v):
            return None
        voltage = swept
    return None


def _slowly(tree: Tree, loads: Loads, line_v: complex, share: float) -> Rows:
    """Devices that answer sluggishly, from switched off: where a real path would come to rest.

    Behind a coil devices of constant power have several steady states, or none but at the edge
    of switching off; Newton alone finds none of them from afar.
    """
    rows = len(tree.parent)
    none = np.zeros(rows, dtype=np.complex128)
    chord = np.zeros(len(loads.row))
    for _ in range(SLOW_TURNS):
        direct = tree.shunt_s + np.bincount(loads.row, chord, rows)
        voltage, _ = _sweep(tree, (direct, none, none), line_v)
        magnitude = np.maximum(np.abs(voltage[loads.row]), 1e-9)
        current, _ = loads.at(magnitude)
        chord = chord + share * (current / magnitude - chord)
    return voltage


def _linearised(tree: Tree, loads: Loads, voltage: Rows) -> tuple[Rows, Rows, Rows]:
    at_device = voltage[loads.row]
    magnitude = np.maximum(np.abs(at_device), 1e-9)
    current, slope = loads.at(magnitude)
    unit = at_device / magnitude
    chord = current / magnitude
    rows = len(tree.parent)
    direct = tree.shunt_s + np.bincount(loads.row, 0.5 * (slope + chord), rows)
    mirrored = _summed(loads.row, 0.5 * (slope - chord) * unit**2, rows)
    offset = _summed(loads.row, (current - slope * magnitude) * unit, rows)
    return direct, mirrored, offset


def _summed(row: NDArray[np.int64], amounts: Rows, rows: int) -> Rows:
    total = np.bincount(row, amounts.real, rows) + 1j * np.bincount(row, amounts.imag, rows)
    return np.asarray(total, dtype=np.complex128)


def _sweep(tree: Tree, drawn: tuple[Rows, Rows, Rows], line_v: complex) -> tuple[Rows, Rows]:
    parent, series, parted = tree.parent, tree.series_ohm.tolist(), tree.parted.tolist()
    direct, mirrored, offset = (part.tolist() for part in drawn)
    rows = len(parent)
    own, crossed = [0j] * rows, [0j] * rows
    for row in range(rows - 1, -1, -1):
        series_ohm, y, m, j = series[row], direct[row], mirrored[row], offset[row]
        if m:
            a, b = 1.0 + series_ohm * y, series_ohm * m
            size = (a * a.conjugate() - b * b.conjugate()).real
            p, q = a.conjugate() / size, -b / size
            y, m = y * p + m * q.conjugate(), y * q + m * p.conjugate()
            drop = series_ohm * j
            j -= y * drop + m * drop.conjugate()
        else:
            p, q = 1.0 / (1.0 + series_ohm * y), 0j
            y, j = y * p, j * p
        own[row], crossed[row] = p, q
        if row and not parted[row]:
            above = parent[row]
            direct[above] += y
            mirrored[above] += m
            offset[above] += j
    voltage, feed = [0j] * rows, [0j] * rows
    for row in range(rows):
        if parted[row]:
            continue
        start = (voltage[parent[row]] if row else line_v) - series[row] * offset[row]
        here = own[row] * start + crossed[row] * start.conjugate()
        voltage[row] = here
        feed[row] = direct[row] * here + mirrored[row] * here.conjugate() + offset[row]
    return np.array(voltage), np.array(feed)


def _device_currents(loads: Loads, voltage: Rows) -> Rows:
    at_device = voltage[loads.row]
    magnitude = np.maximum(np.abs(at_device), 1e-9)
    current, _ = loads.at(magnitude)
    return np.asarray(current * at_device / magnitude)
