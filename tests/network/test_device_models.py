"""Knee, constant power and off-below devices against a dense Newton solve and by hand."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from sites.network.elements import Device, WirePath
from sites.network.errors import NetworkError, NoOperatingPoint
from sites.network.faults import Condition, Fault, Place
from sites.network.prepared import prepare
from sites.network.solution import Solution
from sites.network.solve import solve, solve_in_full
from tests.network.dense_newton import consistent_states, draw_a, node_voltages
from tests.network.named_networks import BRANCHING, RING, STRAIGHT, TWINS, field_path, network

SHAPES = {"straight": STRAIGHT, "branching": BRANCHING, "ring": RING, "twins": TWINS}
COIL = 40.0 + 100.0j


def with_model(path: WirePath, seed: int, **fields: object) -> WirePath:
    """Two devices of three get this model and a draw that matters."""
    rng = random.Random(seed)
    devices = tuple(
        replace(device, draw_ma=rng.uniform(5.0, 80.0), **(fields if k % 3 else {}))  # type: ignore[arg-type]
        for k, device in enumerate(path.devices)
    )
    return replace(path, devices=devices)


def shorted(node_id: str, ohm: float, coil: complex | None = None) -> Condition:
    return Condition(coil_ohm=coil, faults=(Fault("short", Place("splice", node_id), ohm),))


def same_voltages(solution: Solution, volts: dict[str, complex]) -> None:
    for node_id, volt in volts.items():
        assert solution.voltage_v(node_id) == pytest.approx(volt, abs=1e-8)
    for device in solution.prepared.path.devices:
        drawn = solution.wire_current_a(device.node, device.id)
        if device.off_below_v is None:
            expected = draw_a(device, solution.prepared.path.source_v, volts[device.node])
            assert drawn == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("model", ["knee above", "knee below", "power", "power, lagging"])
def test_models_agree_with_dense_newton(shape: str, model: str) -> None:
    fields: dict[str, object] = {
        "knee above": {"model": "knee", "knee_v": 12.0},
        "knee below": {"model": "knee", "knee_v": 26.9},
        "power": {"model": "power", "power_factor": 1.0},
        "power, lagging": {"model": "power", "power_factor": 0.7},
    }[model]
    for seed in range(3):
        path = with_model(field_path(SHAPES[shape]), seed, **fields)
        volts = node_voltages(path)
        assert volts is not None
        same_voltages(solve(path), volts)
        same_voltages(solve_in_full(prepare(path)), volts)


@pytest.mark.parametrize("shape", SHAPES)
def test_knee_devices_under_a_short_through_the_coil(shape: str) -> None:
    path = with_model(field_path(SHAPES[shape]), 5, model="knee", knee_v=15.0, power_factor=0.9)
    volts = node_voltages(path, COIL, {"N3": 2.0})
    assert volts is not None
    assert abs(volts["N3"]) < 15.0
    same_voltages(solve(path, shorted("N3", 2.0, COIL)), volts)


def feeder(ohm: float, *devices: Device, source_v: float = 28.0) -> WirePath:
    """One span of this loop resistance with devices at its end."""
    return replace(network([((0, 1), ohm)], [], source_v=source_v), devices=devices)


def power(draw_ma: float, **fields: object) -> Device:
    return Device("D1", "N1", "decoder", draw_ma, model="power", **fields)  # type: ignore[arg-type]


@pytest.mark.parametrize("share", [0.5, 0.9, 0.99, 0.9999])
def test_constant_power_takes_the_upper_root(share: float) -> None:
    """By hand: V² − E·V + P·R = 0, V = E/2 + √(E²/4 − P·R), up to the most that can be had."""
    ohm, most_w = 50.0, 28.0**2 / (4.0 * 50.0)
    watts = share * most_w
    solution = solve(feeder(ohm, power(1000.0 * watts / 28.0)))
    upper = 14.0 + (14.0**2 - watts * ohm) ** 0.5
    assert solution.voltage_v("N1") == pytest.approx(upper, abs=1e-6)


@pytest.mark.parametrize("share", [1.001, 1.5, 40.0])
def test_more_power_than_the_path_can_carry_is_refused(share: float) -> None:
    watts = share * 28.0**2 / (4.0 * 50.0)
    with pytest.raises(NoOperatingPoint, match=r"constant.power|D1"):
        solve(feeder(50.0, power(1000.0 * watts / 28.0)))


def test_constant_power_behind_a_dead_short_is_refused_in_plain_words() -> None:
    path = feeder(2.0, power(5.0))
    with pytest.raises(NetworkError, match=r"D1 cannot be fed.*off_below_v"):
        solve(path, shorted("N1", 0.05, COIL))


def test_constant_power_that_switches_off_is_not() -> None:
    path = feeder(2.0, power(5.0, off_below_v=10.0))
    solution = solve(path, shorted("N1", 0.05, COIL))
    assert solution.wire_current_a("N1", "D1") == 0.0
    assert solution.controller_current_a == pytest.approx(28.0 / (COIL + 2.0 + 0.05), abs=1e-12)


def off_below(number: int, at: int, draw_ma: float, volts: float) -> Device:
    return Device(f"D{number}", f"N{at}", "decoder", draw_ma, off_below_v=volts)


def test_off_below_is_resistive_while_on() -> None:
    """By hand: 28 V / 100 mA is 280 Ω behind 20 Ω."""
    path = feeder(20.0, off_below(1, 1, 100.0, 20.0))
    assert solve(path).voltage_v("N1") == pytest.approx(28.0 * 280.0 / 300.0, abs=1e-9)


def test_a_single_device_that_undoes_itself_is_refused() -> None:
    """On, it would get 26.1 V; off, 28 V: with 27 V as its limit there is no state."""
    with pytest.raises(NoOperatingPoint, match="D1 would switch off when on and on when off"):
        solve(feeder(20.0, off_below(1, 1, 100.0, 27.0)))


def test_two_that_share_a_span_settle_with_one_off() -> None:
    """Both on: 24.5 V; only D1 on: 26.13 V. Limits of 25 and 27 V leave D1 on and D2 off."""
    path = feeder(20.0, off_below(1, 1, 100.0, 25.0), off_below(2, 1, 100.0, 27.0))
    solution = solve(path)
    assert solution.voltage_v("N1") == pytest.approx(28.0 * 280.0 / 300.0, abs=1e-9)
    assert solution.wire_current_a("N1", "D2") == 0.0
    assert solution.wire_current_a("N1", "D1") == pytest.approx(28.0 / 300.0, abs=1e-12)


def test_two_alike_that_only_one_at_a_time_could_use_are_refused() -> None:
    """With 25 V as limit of both, the one that is off gets 26.13 V and would be on."""
    with pytest.raises(NoOperatingPoint, match="D1, D2"):
        solve(feeder(20.0, off_below(1, 1, 100.0, 25.0), off_below(2, 1, 100.0, 25.0)))


@pytest.mark.parametrize("seed", range(25))
def test_off_below_finds_a_consistent_state_or_there_is_none(seed: int) -> None:
    """Against all 2^m sets of devices on and off, each by dense Newton."""
    rng = random.Random(seed)
    path = field_path(rng.choice(list(SHAPES.values())))
    devices = tuple(
        replace(
            device,
            draw_ma=rng.uniform(20.0, 400.0),
            off_below_v=rng.uniform(15.0, 27.0),
            model=rng.choice(("resistor", "knee")),
            knee_v=18.0,
        )
        for device in path.devices
    )
    path = replace(path, devices=devices)
    ohm = rng.choice((3.0, 30.0, 300.0))
    states = consistent_states(path, 20.0 + 10.0j, {"N2": ohm})
    condition = shorted("N2", ohm, 20.0 + 10.0j)
    if not states:
        with pytest.raises(NoOperatingPoint):
            solve(path, condition)
        return
    solution = solve(path, condition)
    off = frozenset(d.id for d in devices if solution.wire_current_a(d.node, d.id) == 0.0)
    assert off in {state for state, _ in states}
    same_voltages(solution, dict(states)[off])


def test_all_off_in_a_collapsed_path_draws_only_the_short() -> None:
    """Behind a coil into a short a path sits at a few volts, where decoders are off."""
    path = field_path(BRANCHING)
    path = replace(path, devices=tuple(replace(d, off_below_v=9.0) for d in path.devices))
    solution = solve(path, shorted("N4", 1.0, COIL))
    assert abs(solution.voltage_v("N0")) < 9.0
    bare = solve(replace(path, devices=()), shorted("N4", 1.0, COIL))
    assert solution.controller_current_a == pytest.approx(bare.controller_current_a, abs=1e-12)


def test_nonlinear_devices_on_a_part_that_is_cut_off_draw_nothing() -> None:
    path = with_model(field_path(STRAIGHT), 1, model="power")
    solution = solve(path, Condition(legs_off=frozenset({"S1"})))
    assert solution.controller_current_a == 0.0
    assert all(solution.voltage_v(node.id) == 0.0 for node in path.nodes[1:])
    for conductor in "ab":
        fault = Fault("open", Place("segment", "S1"), None, conductor)  # type: ignore[arg-type]
        for answer in (
            solve(path, Condition(faults=(fault,))),
            solve_in_full(prepare(path), Condition(faults=(fault,))),
        ):
            assert abs(answer.controller_current_a) < 1e-12
