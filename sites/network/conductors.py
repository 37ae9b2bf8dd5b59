"""Resistance of the copper conductors a survey may name.

AWG: diameter by ASTM B258, resistivity of annealed copper by IEC 60028. Metric sizes: the
greatest resistance that IEC 60228 allows a class 1 conductor at 20 °C. Both are scaled to the
conductor's temperature by the coefficient of IEC 60028.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

from sites.network.errors import UnknownElement

COPPER_OHM_MM2_PER_M = 0.017241
"""Resistivity of annealed copper at 20 °C (IEC 60028)."""

COPPER_PER_K = 0.00393
"""Temperature coefficient of its resistance, referred to 20 °C (IEC 60028)."""

AWG_GAUGES: tuple[int, ...] = (10, 12, 14, 16, 18)

IEC_CLASS_1_OHM_PER_KM: Mapping[str, float] = MappingProxyType(
    {"1.5 mm2": 12.1, "2.5 mm2": 7.41, "4 mm2": 4.61, "6 mm2": 3.08}
)
"""Greatest resistance at 20 °C of plain solid copper (IEC 60228:2004, table 1)."""


def awg_diameter_mm(gauge: int) -> float:
    """Diameter of a solid wire, 0.005 in · 92^((36 − gauge)/39) (ASTM B258)."""
    return 25.4 * 0.005 * float(92.0 ** ((36 - gauge) / 39.0))


def awg_area_mm2(gauge: int) -> float:
    """Cross-section of a solid wire of this gauge."""
    return math.pi / 4.0 * awg_diameter_mm(gauge) ** 2


def temperature_factor(temp_c: float) -> float:
    """Resistance of copper at ``temp_c`` as a multiple of that at 20 °C."""
    return 1.0 + COPPER_PER_K * (temp_c - 20.0)


def _at_20_c() -> dict[str, float]:
    awg = {f"AWG {g}": 1000.0 * COPPER_OHM_MM2_PER_M / awg_area_mm2(g) for g in AWG_GAUGES}
    return awg | dict(IEC_CLASS_1_OHM_PER_KM)


_OHM_PER_KM_AT_20_C: Mapping[str, float] = MappingProxyType(_at_20_c())

CONDUCTORS: tuple[str, ...] = tuple(_OHM_PER_KM_AT_20_C)
"""The names a segment's ``conductor`` may have."""


def conductor_ohm_per_km(conductor: str, temp_c: float = 20.0) -> float:
    """Resistance of one conductor in ohms per kilometre of cable.

    Raises ``UnknownElement`` for a name outside ``CONDUCTORS``.
    """
    try:
        return _OHM_PER_KM_AT_20_C[conductor] * temperature_factor(temp_c)
    except KeyError:
        raise UnknownElement("conductor", conductor) from None


def loop_ohm_per_km(conductor: str, temp_c: float = 20.0) -> float:
    """Resistance out and back, two conductors, in ohms per kilometre of cable."""
    return 2.0 * conductor_ohm_per_km(conductor, temp_c)
