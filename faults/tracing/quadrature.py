"""Nodes and weights of Gauss-Hermite rules, worked out once each."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@lru_cache(maxsize=16)
def hermite_rule(count: int) -> tuple[FloatArray, FloatArray]:
    """(nodes, weights) for the standard normal, each (count,); the weights sum to 1. Read-only."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(count)
    weights = weights / weights.sum()
    nodes.flags.writeable = weights.flags.writeable = False
    return nodes, weights
