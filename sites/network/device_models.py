"""What devices draw at the voltage they get, and the state in which a path comes to rest.

Every law here is an admittance of constant angle whose size depends on |V| alone, so a path is
solved by turns: voltages give admittances, a linear solve gives voltages. Begun from the
voltages with the nonlinear devices off, that map comes down on the greatest of its fixed points,
which is the one a path powered up in the ordinary way reaches; roots near V = 0 are refused.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

from sites.network.elements import Device
from sites.network.errors import NoOperatingPoint

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

DEAD_V = 1e-9
"""A device below this hangs on a part that is cut off."""

COLLAPSED_SHARE = 0.1
"""A constant-power device below this share of its voltage without such devices has collapsed."""

TOLERANCE = 1e-11
"""Relative change of every device voltage in one more turn at which a solve is done."""

_PLAIN_TURNS, _MOST_TURNS, _MEMORY = 6, 400, 5
_FEW_SWITCHES = 8


@dataclass(frozen=True, slots=True, eq=False)
class DeviceTable:
    """The devices of a path as arrays (D,), in the path's order.

    ``turn``: e^(-jφ) of the power factor; ``knee_v`` and ``off_below_v`` are 0 where there is
    none. ``linear_siemens``: admittance of each as a resistor ``source_v / draw``.
    """

    devices: tuple[Device, ...]
    node: IntArray
    draw_a: FloatArray
    turn: ComplexArray
    is_knee: BoolArray
    is_power: BoolArray
    knee_v: FloatArray
    off_below_v: FloatArray
    linear_siemens: ComplexArray
    source_v: float
    plain: bool

    def siemens_at(self, voltage_v: FloatArray, on: BoolArray) -> ComplexArray:
        """Admittance of each device at voltage magnitudes (D,); 0 where not ``on``."""
        size = np.abs(self.linear_siemens)
        knee, power = self.is_knee, self.is_power
        size[knee] = self.draw_a[knee] / np.maximum(voltage_v[knee], self.knee_v[knee])
        safe_v = np.maximum(voltage_v[power], DEAD_V)
        size[power] = self.draw_a[power] * self.source_v / safe_v**2
        return np.where(on, size * self.turn, 0.0)


def device_table(devices: Sequence[Device], nodes: Sequence[int], source_v: float) -> DeviceTable:
    """Gather devices; ``nodes`` are the indexes of the nodes they hang at."""
    draw_a = np.array([device.draw_ma for device in devices], dtype=np.float64) / 1000.0
    factor = np.array([device.power_factor for device in devices], dtype=np.float64)
    turn = factor - 1j * np.sqrt(np.maximum(0.0, 1.0 - factor**2))
    drawing = draw_a > 0.0
    models = [device.model for device in devices]
    is_knee, is_power = (
        np.array([model == name for model in models], dtype=np.bool_) & drawing
        if name in models
        else np.zeros(len(devices), dtype=np.bool_)
        for name in ("knee", "power")
    )
    off_below_v = _or_zero([device.off_below_v for device in devices]) * drawing
    return DeviceTable(
        devices=tuple(devices),
        node=np.array(nodes, dtype=np.int64),
        draw_a=draw_a,
        turn=turn,
        is_knee=is_knee,
        is_power=is_power,
        knee_v=_or_zero([device.knee_v for device in devices]),
        off_below_v=off_below_v,
        linear_siemens=draw_a / source_v * turn,
        source_v=source_v,
        plain=not (is_knee.any() or is_power.any() or off_below_v.any()),
    )


def _or_zero(values: list[float | None]) -> FloatArray:
    if values.count(None) == len(values):
        return np.zeros(len(values))
    return np.array([value or 0.0 for value in values], dtype=np.float64)


class Response(Protocol):
    """What a linear solve gives back to the devices."""

    @property
    def device_v(self) -> ComplexArray:
        """Voltage across each device (D,)."""


R_co = TypeVar("R_co", bound=Response, covariant=True)


class Network(Protocol[R_co]):
    """A path under a condition, open for the admittances of its devices."""

    def respond(self, device_siemens: ComplexArray) -> R_co:
        """Solve with these device admittances (D,)."""


@dataclass(frozen=True, slots=True, eq=False)
class Rest(Generic[R_co]):
    """A state of rest: the last response and the admittances that gave it."""

    response: R_co
    device_siemens: ComplexArray


def come_to_rest(network: Network[R_co], table: DeviceTable, lifted: BoolArray) -> Rest[R_co]:
    """Find what the path settles at; ``lifted`` (D,) devices are not connected.

    Devices with ``off_below_v`` have no hysteresis: on exactly when they get that voltage.

    Raises ``NoOperatingPoint`` where constant power pulls the voltage down to nothing, or where
    no set of devices on and off agrees with the voltages that it brings about.
    """
    present = ~lifted
    if table.plain:
        siemens = np.where(present, table.linear_siemens, 0.0)
        return Rest(network.respond(siemens), siemens)
    if not table.off_below_v.any():
        return _settle(network, table, present)
    return _switch(network, table, present)


def _is_on(table: DeviceTable, voltage_v: FloatArray, present: BoolArray) -> BoolArray:
    return present & (voltage_v >= table.off_below_v)


def _switch(network: Network[R_co], table: DeviceTable, present: BoolArray) -> Rest[R_co]:
    """Find on/off states that agree with their voltages.

    More devices on means less voltage and so fewer on: the map from one set to the next is
    antitone and its square closes in, from all on and from all off, on what can be in doubt.
    """

    def turn(on: BoolArray) -> tuple[Rest[R_co], BoolArray]:
        rest = _settle(network, table, on)
        return rest, _is_on(table, np.abs(rest.response.device_v), present)

    def turn_or_collapse(on: BoolArray) -> tuple[Rest[R_co] | None, BoolArray]:
        try:
            return turn(on)
        except NoOperatingPoint:
            return None, present & (table.off_below_v == 0.0)

    most = present.copy()
    for _ in range(2 * len(present) + 2):
        rest, fewest = turn_or_collapse(most)
        if rest is not None and (fewest == most).all():
            return rest
        _, again = turn_or_collapse(fewest)
        if (again == most).all():
            break
        most = again
    doubtful = np.flatnonzero(most != fewest)
    if len(doubtful) == 0:
        return turn(most)[0]
    return _one_by_one(turn, most, doubtful, table)


def _one_by_one(
    turn: Callable[[BoolArray], tuple[Rest[R_co], BoolArray]],
    most: BoolArray,
    doubtful: IntArray,
    table: DeviceTable,
) -> Rest[R_co]:
    """Switch doubtful devices singly: off the one that lacks most, on one that gets enough."""
    on = most.copy()
    seen: set[bytes] = set()
    while on.tobytes() not in seen:
        seen.add(on.tobytes())
        try:
            rest, wanted = turn(on)
        except NoOperatingPoint:
            still_on = doubtful[on[doubtful]]
            if len(still_on) == 0:
                raise
            on[still_on[-1]] = False
            continue
        wrong = np.flatnonzero(wanted != on)
        if len(wrong) == 0:
            return rest
        short_of = table.off_below_v[wrong] - np.abs(rest.response.device_v[wrong])
        worst = wrong[np.argmax(short_of)]
        on[worst] = not on[worst]
    return _try_all(turn, most, doubtful, table)


def _try_all(
    turn: Callable[[BoolArray], tuple[Rest[R_co], BoolArray]],
    most: BoolArray,
    doubtful: IntArray,
    table: DeviceTable,
) -> Rest[R_co]:
    """Last resort, for a few devices in doubt: each set in turn, those with most on first."""
    names = ", ".join(table.devices[at].id for at in doubtful[:_FEW_SWITCHES])
    if len(doubtful) <= _FEW_SWITCHES:
        for choice in itertools.product((True, False), repeat=len(doubtful)):
            on = most.copy()
            on[doubtful] = choice
            try:
                rest, wanted = turn(on)
            except NoOperatingPoint:
                continue
            if (wanted == on).all():
                return rest
    raise NoOperatingPoint(
        "no state of devices on and off agrees with its own voltages: with off_below_v as given, "
        f"{names} would switch off when on and on when off; change off_below_v or the draw there"
    )


def _settle(network: Network[R_co], table: DeviceTable, on: BoolArray) -> Rest[R_co]:
    """Bring constant-current and constant-power devices to rest with the on/off states fixed."""
    moving = on & (table.is_knee | table.is_power)
    start = np.where(on & ~moving, table.linear_siemens, 0.0)
    response = network.respond(start)
    if not moving.any():
        return Rest(response, start)
    open_v = np.abs(response.device_v)
    moving &= open_v > DEAD_V
    if not moving.any():
        return Rest(response, start)
    on = on & (moving | ~(table.is_knee | table.is_power))
    at = np.flatnonzero(moving)
    floor = np.where(table.is_power, np.log(np.maximum(open_v, DEAD_V) * COLLAPSED_SHARE), -np.inf)

    def turn(log_v: FloatArray) -> tuple[Rest[R_co], FloatArray]:
        voltage_v = open_v.copy()
        voltage_v[at] = np.exp(log_v)
        siemens = table.siemens_at(voltage_v, on)
        answer = network.respond(siemens)
        got_v = np.maximum(np.abs(answer.device_v[at]), DEAD_V)
        return Rest(answer, siemens), np.log(got_v)

    return _fixed_point(turn, np.log(open_v[at]), floor[at], [table.devices[k].id for k in at])


def _fixed_point(
    turn: Callable[[FloatArray], tuple[Rest[R_co], FloatArray]],
    start: FloatArray,
    floor: FloatArray,
    ids: Sequence[str],
) -> Rest[R_co]:
    """Plain turns from above, then Anderson mixing of the last few (Walker & Ni 2011)."""
    log_v = start
    xs: list[FloatArray] = []
    gs: list[FloatArray] = []
    for count in range(_MOST_TURNS):
        rest, image = turn(log_v)
        residual = image - log_v
        if np.max(np.abs(residual)) < TOLERANCE:
            if count > _PLAIN_TURNS and np.isfinite(floor).any():
                _refuse_unstable(turn, image, ids)
            return rest
        if np.any(image < floor):
            _refuse_collapsed(ids, image - floor)
        xs, gs = [*xs, log_v][-_MEMORY:], [*gs, image][-_MEMORY:]
        log_v = image if count < _PLAIN_TURNS else np.maximum(_mixed(xs, gs), floor)
    raise NoOperatingPoint(
        "the devices do not come to rest: too near to the most that the path can carry; "
        f"lower the draw of the constant-power devices ({', '.join(ids[:5])})"
    )


def _mixed(xs: list[FloatArray], gs: list[FloatArray]) -> FloatArray:
    residuals = np.array(gs) - np.array(xs)
    steps = np.diff(residuals, axis=0).T
    weights = np.linalg.lstsq(steps, residuals[-1], rcond=1e-12)[0]
    mixed: FloatArray = gs[-1] - np.diff(np.array(gs), axis=0).T @ weights
    return mixed if np.all(np.abs(mixed - gs[-1]) < 1.0) else gs[-1]


def _refuse_unstable(
    turn: Callable[[FloatArray], tuple[Rest[R_co], FloatArray]],
    root: FloatArray,
    ids: Sequence[str],
) -> None:
    """At a low root plain turns lead away from it; at the one wanted they lead back."""
    off = 1e-5
    log_v = root + off
    for _ in range(12):
        log_v = turn(log_v)[1]
    if np.max(np.abs(log_v - root)) >= off:
        _refuse_collapsed(ids, log_v - root)


def _refuse_collapsed(ids: Sequence[str], margin: FloatArray) -> None:
    worst = ids[int(np.argmin(margin))]
    raise NoOperatingPoint(
        f"constant-power device {worst} cannot be fed: what it asks for pulls its own voltage down "
        "to nothing; give it off_below_v, another model or a smaller draw_ma"
    )
