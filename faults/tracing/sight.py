"""What each wire would read under the hypotheses that carry the chance now.

A few *delegates*, rows of the posterior that stand for equal shares of the chance, are solved
over the whole tree. From them every wire gets what it reads when the fault lies beyond it and
when it does not, and how surely one reading tells the two apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faults.tracing.best_cells import delegate_rows
from faults.tracing.likelihood import meter_spread_ma
from faults.tracing.posterior import Posterior
from faults.tracing.prediction import voltage_profile
from faults.tracing.problem import Meter

FloatArray = NDArray[np.float64]

SURE_SHARE = 0.02
"""Readings a share of this apart are not told apart by their size alone: gain, draws, drift."""


@dataclass(frozen=True, slots=True)
class Sight:
    """By edge (P,): the chance that the fault lies ``beyond``, what the wire reads then
    (``high_ma``) and otherwise (``low_ma``), and how far one reading tells (``tells``, 0 to 1).

    ``mass_before`` (P + 1,) sums the chance of points from the front; ``apart`` is the chance of
    what is no place. ``reference_ma`` is what the controller's wires carry.
    """

    beyond: FloatArray
    high_ma: FloatArray
    low_ma: FloatArray
    tells: FloatArray
    mass_before: FloatArray
    apart: float
    reference_ma: float

    def within(self, low: int, high: int) -> float:
        """The chance of points low..high."""
        return float(self.mass_before[high] - self.mass_before[low])


def look_over(posterior: Posterior, meter: Meter, *, delegates: int = 14) -> Sight:
    """Solve the delegates and see what every wire can tell. O(P x delegates)."""
    view = posterior.view
    mass = posterior.point_chance()
    before = np.concatenate([[0.0], np.cumsum(mass)])
    last = view.last
    beyond = before[last] - before[:-1]
    currents, points, shares, reference = _profiles(posterior, delegates)
    edges = np.arange(view.size)
    is_beyond = (points[:, None] >= edges[None, :]) & (points[:, None] < last[None, :])
    weight = shares[:, None]
    high_share = (weight * is_beyond).sum(axis=0)
    low_share = (weight * ~is_beyond).sum(axis=0)
    high_sum = (weight * is_beyond * currents).sum(axis=0)
    low_sum = (weight * ~is_beyond * currents).sum(axis=0)
    mean = (weight * currents).sum(axis=0)
    low = np.where(low_share > 0.0, low_sum / np.maximum(low_share, 1e-12), 0.0)
    fault_ma = 0.6 * reference
    high = np.where(
        high_share > 0.0,
        high_sum / np.maximum(high_share, 1e-12),
        np.maximum(mean, low) + fault_ma,
    )
    low = np.where(low_share > 0.0, low, np.maximum(high - fault_ma, 0.0))
    spread = 2.0 * meter_spread_ma(meter) ** 2 + (SURE_SHARE * np.maximum(high, low)) ** 2
    tells = 1.0 - np.exp(-((high - low) ** 2) / (8.0 * spread))
    return Sight(
        beyond=beyond,
        high_ma=high,
        low_ma=low,
        tells=tells,
        mass_before=before,
        apart=max(0.0, 1.0 - float(before[-1])),
        reference_ma=reference,
    )


def _profiles(
    posterior: Posterior, delegates: int
) -> tuple[FloatArray, NDArray[np.int64], FloatArray, float]:
    """(edge currents in mA (D, P), points (D,), shares (D,), mean reference)."""
    view = posterior.view
    picked = delegate_rows(posterior.row_chance, delegates)
    currents = np.zeros((len(picked), view.size))
    points = np.zeros(len(picked), dtype=np.int64)
    shares = np.array([share for _, share in picked])
    reference = 0.0
    up = view.parent
    for i, (row, share) in enumerate(picked):
        point = int(posterior.rows.point[row]) if row < len(posterior.rows.point) else -1
        column = int(posterior.best.column[row])
        resistance = float(posterior.best.resistance_ohm[row])
        volts = voltage_profile(posterior.sound, point, resistance, column)
        flow = np.zeros(view.size, dtype=np.complex128)
        flow[1:] = (volts[up[1:]] - volts[1:]) / view.z_ohm[1:]
        load = view.load_s[0] * posterior.sound.scales[column] + view.fixed_s[0]
        total = abs(flow[1:][up[1:] == 0].sum() + load)
        scale = float(posterior.best.scale_ma[row])
        if total > 0.0:
            currents[i] = np.abs(flow) * (scale / total)
        points[i] = point
        reference += share * scale
    return currents, points, shares, reference
