"""What each leg of a path should read when it is sound, by its record or by the circuit."""

from __future__ import annotations

import math
from dataclasses import dataclass

from core.problems import Conflict
from faults.leg_volts import LeastVolts, least_volts, lowest_predicted_v
from faults.services.sound_records import sound_newest
from faults.sound_rise import Expected, expected_by_circuit, expected_by_record
from faults.tracing.plausible import most_standing_ma, most_standing_v
from faults.tracing.problem import Meter
from faults.tracing.rig_places import legs_of
from sites.models.wire_path import WirePath
from sites.network import elements
from sites.network.errors import NetworkError
from sites.network.solve import solve


@dataclass(frozen=True)
class LegPredicted:
    """What the circuit says of a leg. ``least_device_v``, ``source_v`` and ``terminal_v``, at the
    controller's terminals: of its path. ``most_ma``, ``most_v``: above them no reading can be."""

    leg: str
    current_ma: float
    lowest_v: float | None
    least_device_v: float | None
    source_v: float
    terminal_v: float
    most_ma: float = math.inf
    most_v: float = math.inf


@dataclass(frozen=True)
class LegExpectation:
    """What a leg should read; ``basis`` of its current: `sound-record` or `prediction`.
    ``least``: at its far end."""

    leg: str
    expected: Expected
    basis: str
    least: LeastVolts | None


def legs_predicted(network: elements.WirePath) -> tuple[LegPredicted, ...]:
    """What the circuit says of each leg: one solve, outside a transaction. Raises Conflict where
    the map cannot be predicted."""
    try:
        solution = solve(network)
    except NetworkError as unsolved:
        raise Conflict(f"The path as mapped cannot be predicted: {unsolved}.") from unsolved
    legs = legs_of(network)
    lowest = lowest_predicted_v(network, solution, legs)
    least_v, source_v = network.limits.min_device_v, network.source_v
    terminal_v = abs(solution.voltage_v(network.controller.id))
    return tuple(
        LegPredicted(
            leg,
            solution.current_ma(network.controller.id, leg),
            lowest[leg],
            least_v,
            source_v,
            terminal_v,
            most_standing_ma(network),
            most_standing_v(network),
        )
        for leg in legs
    )


def terminals_least(predicted: tuple[LegPredicted, ...]) -> LeastVolts | None:
    """What the controller's terminals may read at least, with all legs on: what the circuit says,
    less three spreads as at the far end of a leg; never below what the devices want. None of a
    path without legs."""
    if not predicted:
        return None
    one = predicted[0]
    return least_volts(
        limit_v=one.least_device_v,
        record_v=None,
        predicted_v=one.terminal_v,
        source_v=one.source_v,
    )


def legs_expected(
    path: WirePath, predicted: tuple[LegPredicted, ...], meter: Meter
) -> list[LegExpectation]:
    """What each leg should read by its newest sound record on the map as it is, where it has
    none by the circuit: two queries. What a record says that cannot be is held against nothing."""
    records, found = sound_newest(path, coil=False), []
    for one in predicted:
        record = records.get(one.leg)
        if record is not None and record.revision != path.revision:
            record = None
        least = least_volts(
            limit_v=one.least_device_v,
            record_v=_known(record.far_v if record is not None else None, one.most_v),
            predicted_v=one.lowest_v,
            source_v=one.source_v,
        )
        record_ma = _known(record.current_ma if record is not None else None, one.most_ma)
        if record_ma:
            expected, basis = expected_by_record(record_ma, meter), "sound-record"
        else:
            expected, basis = expected_by_circuit(one.current_ma, meter), "prediction"
        found.append(LegExpectation(one.leg, expected, basis, least))
    return found


def _known(value: float | None, most: float) -> float | None:
    return None if value is None or value > most else value
