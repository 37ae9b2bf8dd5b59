"""Networks whose answer is known in closed form; sources in tests/data/checks_network.json.

The input resistance between two points of a network of 1 Ω loops is read by feeding one point
and bridging the other with 1 Ω: by symmetry of the two conductors it is R_ij + 1.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import replace

import networkx as nx
import pytest

from sites.network.elements import Device, Segment, WirePath
from sites.network.faults import Condition, Fault, Place
from sites.network.solution import Solution
from sites.network.solve import solve
from tests.network.checks import expected, inputs
from tests.network.named_networks import load, network, node, span

E1 = expected("E1")


def input_ohm(path: WirePath, condition: Condition | None = None) -> complex:
    solution = solve(path, condition or Condition())
    return solution.voltage_v("N0") / solution.controller_current_a


def between(graph: nx.Graph, one: int, other: int) -> float:
    """Effective resistance of 1 Ω loops, the bridge's 1 Ω taken off."""
    names = {one: 0} | {name: at for at, name in enumerate((n for n in graph if n != one), 1)}
    path = network([((names[u], names[v]), 1.0) for u, v in graph.edges], [])
    bridge = Fault("short", Place("splice", f"N{names[other]}"), 1.0)
    return input_ohm(path, Condition(faults=(bridge,))).real - 1.0


def ladder(count: int, series_ohm: float, shunt_ohm: float) -> WirePath:
    return network(
        [((k, k + 1), series_ohm) for k in range(count)],
        [(k + 1, shunt_ohm) for k in range(count)],
    )


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 10, 20])
def test_ladder_of_ones_gives_fibonacci_ratios(count: int) -> None:
    assert input_ohm(ladder(count, 1.0, 1.0)) == pytest.approx(
        E1["ladder_fib"][str(count)]["fib"], abs=1e-9
    )


def test_infinite_ladders() -> None:
    assert input_ohm(ladder(60, 1.0, 1.0)) == pytest.approx(E1["golden"], abs=1e-9)
    assert input_ohm(ladder(700, 2.0, 1000.0)) == pytest.approx(
        E1["infinite_ladder_r2.0_shunt1000.0"], abs=1e-8
    )
    assert input_ohm(ladder(6000, 0.614, 1e5)) == pytest.approx(
        E1["infinite_ladder_r0.614_shunt100000.0"], abs=1e-8
    )


@pytest.mark.parametrize(
    ("count", "series", "shunt"), [(10, 1.0, 100.0), (20, 0.614, 480.0), (5, 1.0, 1.0)]
)
def test_leaky_chain_falls_by_hyperbolic_cosines(count: int, series: float, shunt: float) -> None:
    row = E1[f"leaky_chain_n{count}_r{series}_Rs{shunt}"]
    path = ladder(count, series, shunt)
    assert input_ohm(path) == pytest.approx(row["rin_closed"], abs=1e-9)
    assert solve(path).voltage_v(f"N{count}") == pytest.approx(
        row["vend_over_vin_closed"], abs=1e-9
    )


def test_cube() -> None:
    cube = nx.hypercube_graph(3)
    cube = nx.convert_node_labels_to_integers(cube, ordering="sorted")
    assert between(cube, 0, 7) == pytest.approx(E1["cube"]["body"], abs=1e-9)
    assert between(cube, 0, 3) == pytest.approx(E1["cube"]["face"], abs=1e-9)
    assert between(cube, 0, 1) == pytest.approx(E1["cube"]["edge"], abs=1e-9)


@pytest.mark.parametrize(
    ("name", "graph"),
    [
        ("tetra", nx.tetrahedral_graph()),
        ("octa", nx.octahedral_graph()),
        ("icosa", nx.icosahedral_graph()),
        ("dodeca", nx.dodecahedral_graph()),
    ],
)
def test_edges_of_platonic_solids(name: str, graph: nx.Graph) -> None:
    one, other = next(iter(graph.edges))
    assert between(graph, one, other) == pytest.approx(E1[f"nx_{name}_edge"], abs=1e-9)


def test_ring_and_complete_graph() -> None:
    ring = nx.cycle_graph(10)
    assert between(ring, 0, 5) == pytest.approx(E1["ring10_opp"], abs=1e-9)
    assert between(ring, 0, 3) == pytest.approx(E1["ring10_k3"], abs=1e-9)
    assert between(nx.complete_graph(7), 0, 1) == pytest.approx(E1["K7"], abs=1e-9)


def test_fosters_sum_of_edges() -> None:
    graph = nx.petersen_graph()
    total = sum(between(graph, one, other) for one, other in graph.edges)
    assert total == pytest.approx(graph.number_of_nodes() - 1, abs=1e-8)


# Equivalent resistance, and amperes through the middle per volt (from N1 to N2 positive).
BRIDGES = {
    (1, 2, 3, 4, 5): (170 / 71, 1 / 85),
    (1, 1, 1, 2, 1): (13 / 11, -1 / 13),
    (10, 20, 30, 60, 40): (80 / 3, 0.0),
    (10, 20, 30, 60, 7): (80 / 3, 0.0),
    (100, 10, 500, 60, 15): (62.66573622, None),
}


@pytest.mark.parametrize("arms", BRIDGES)
def test_wheatstone_bridge(arms: tuple[int, ...]) -> None:
    """Section E5: closed forms as fractions, the last one computed by a nodal solve outside."""
    solution = bridged(arms)
    of_volt, through = BRIDGES[arms]
    # 1 Ω across the far corner: the bridge itself sees what is left of the volt.
    assert 1.0 / solution.controller_current_a - 1.0 == pytest.approx(of_volt, abs=1e-8)
    across = 1.0 - abs(solution.voltage_v("N3"))
    middle = solution.wire_current_a("N1", "S5") / across
    if through is not None:
        assert middle == pytest.approx(through, abs=1e-9)
    row = E1.get(f"wheatstone_{arms}")
    if row is not None:
        assert middle == pytest.approx(row["Ig_per_volt"], abs=1e-9)


def bridged(arms: tuple[int, ...]) -> Solution:
    """A volt across A (N0) and D (N3), with 1 Ω in series at D; arms A-B, A-C, B-D, C-D, B-C."""
    r1, r2, r3, r4, r5 = arms
    path = network(
        [((0, 1), r1), ((0, 2), r2), ((1, 3), r3), ((2, 3), r4), ((1, 2), r5)], [], source_v=1.0
    )
    return solve(path, Condition(faults=(Fault("short", Place("splice", "N3"), 1.0),)))


def test_ring_main_shares_a_load_by_the_spans_on_each_side() -> None:
    row = E1["ring_main"]
    n, k = row["n"], row["k"]
    path = network([((j, (j + 1) % n), 0.5) for j in range(n)], [], source_v=28.0)
    draw = Device("D1", f"N{k}", "other", 100.0, model="knee", knee_v=1.0)
    solution = solve(replace(path, devices=(draw,)))
    short_side = solution.wire_current_a("N0", "S1")
    long_side = -solution.wire_current_a("N0", f"S{n}")
    assert short_side == pytest.approx(0.1 * row["I_short_side"], abs=1e-9)
    assert long_side == pytest.approx(0.1 * row["I_long_side"], abs=1e-9)
    drop = 28.0 - solution.voltage_v(f"N{k}")
    assert drop == pytest.approx(0.1 * 0.5 * row["V_drop_per_r"], abs=1e-9)


def test_series_resistance_and_inductance() -> None:
    row = E1["AC_RL"]
    coil = 1j * 2.0 * math.pi * row["f"] * row["L"]
    path = network([], [], source_v=row["V"])
    short = Fault("short", Place("splice", "N0"), row["R"])
    current = solve(path, Condition(coil_ohm=coil, faults=(short,))).controller_current_a
    assert abs(current) == pytest.approx(row["Imag"], abs=1e-9)
    assert -math.degrees(cmath.phase(current)) == pytest.approx(row["Zang_deg"], abs=1e-9)
    assert abs(current) ** 2 * row["R"] == pytest.approx(row["P"], abs=1e-8)


def test_feeder_of_ten_spans() -> None:
    row, given = expected("E2"), inputs("E2")
    span_ohm, load_ohm = complex(*given["z_span"]), complex(*given["z_load"])
    path = network(
        [((k, k + 1), span_ohm) for k in range(10)],
        [(k + 1, load_ohm) for k in range(10)],
        source_v=given["V"],
    )
    solution = solve(path)
    volts = [abs(solution.voltage_v(f"N{k}")) for k in range(11)]
    assert volts == pytest.approx(row["v_nodal"], abs=1e-9)
    real, lagging = row["I0_nodal"]
    assert solution.controller_current_a == pytest.approx(complex(real, -lagging), abs=1e-9)
    assert solution.current_ma("N0", "S1") == pytest.approx(1000.0 * row["Imag"], abs=1e-6)


def test_voltage_drops_of_the_conductor_tables() -> None:
    """Section A: 2.5 mm², 400 m, 0.5 A; and ten equal taps, I·r·n(n+1)/2."""
    table = expected("A1")["vd"]
    far = Segment("S1", "N0", "N1", 400.0, "2.5 mm2")
    draw = Device("D1", "N1", "other", 500.0, model="knee", knee_v=1.0)
    path = WirePath("drop", 50.0, 24.0, 0j, 1500.0, (node(0), node(1)), (far,), (draw,))
    assert 24.0 - solve(path).voltage_v("N1") == pytest.approx(table["b_iec"]["drop"], abs=1e-9)

    taps = network([((k, k + 1), 0.614) for k in range(10)], [], source_v=24.0)
    draws = tuple(
        Device(f"D{k}", f"N{k}", "other", 50.0, model="knee", knee_v=1.0) for k in range(1, 11)
    )
    drop = 24.0 - solve(replace(taps, devices=draws)).voltage_v("N10")
    assert drop == pytest.approx(table["c_uniform"]["drop"], abs=1e-9)

    one_end = network([((0, 1), table["a_2wire_14AWG_NEC"]["loop_R"])], [], source_v=24.0)
    draw = Device("D1", "N1", "other", 250.0, model="knee", knee_v=1.0)
    volts = solve(replace(one_end, devices=(draw,))).voltage_v("N1")
    assert volts == pytest.approx(table["a_2wire_14AWG_NEC"]["v"], abs=1e-9)


# Loop of one conductor and its return, ohms; ratio of the arms; ohms a metre; metres to the fault.
MURRAY = {
    # 600 m of 1.5 Ω/km, ratio 3:1: 300 m (worked examination paper, read).
    "600 m": (1.8, 3.0, 0.0015, 300.0),
    # 500 m likewise: 250 m (Mehta, Principles of Power System, ch. 11, from memory).
    "500 m": (1.5, 3.0, 0.0015, 250.0),
    # Hawkins Electrical Guide, vol. 3 (1914), fig. 597, read: 332 of 1,000 of the bridge, loop
    # 54.07 Ω, 16.46 Ω a mile: 1.09 miles.
    "1.09 miles": (54.07, 668.0 / 332.0, 16.46 / 1609.344, 1.0905978128797085 * 1609.344),
}


@pytest.mark.parametrize("case", MURRAY)
def test_murray_ratio_is_how_a_ring_shares_the_current_of_an_earth_fault(case: str) -> None:
    """Section B. The bridge balances where the two ways round carry currents inverse to their
    resistances: the same holds in conductor a of a ring that is fed at the controller and leaks.
    """
    loop_ohm, ratio, ohm_per_m, metres = MURRAY[case]
    near_ohm = ohm_per_m * metres
    near, round_about = ring_with_leak(0.0, loop_ohm / 2.0, near_ohm)
    assert near / round_about == pytest.approx(ratio, rel=1e-9)
    # By hand: the two ways side by side, then 20 Ω of the leak and 5 Ω of the earth reference.
    both = near_ohm * (loop_ohm - near_ohm) / loop_ohm
    assert near + round_about == pytest.approx(24.0 / (both + 25.0), abs=1e-9)


def test_the_values_of_the_murray_tests_are_those_of_the_file() -> None:
    table = expected("B1")
    assert MURRAY["600 m"][3] == table["murray_600"]["d_m"]
    assert MURRAY["1.09 miles"][3] == table["murray_hawkins"]["miles"] * 1609.344
    loop_ohm, ratio, *_ = MURRAY["1.09 miles"]
    assert loop_ohm / (1.0 + ratio) == pytest.approx(table["murray_hawkins"]["X_ohm"], rel=1e-12)


def test_varley_balances_at_both_settings() -> None:
    """Section B, Mehta ch. 11 (from memory): P, Q = 5, 10; S = 16 on the loop, 7 on the fault;
    0.4 Ω/km: a loop of 8 Ω, 3 Ω to the fault, 7.5 km. S lies in series with the faulty side."""
    row = expected("B1")["varley"]
    p, q, loop = row["P"], row["Q"], row["loop"]
    assert bridged((p, q, loop, row["S1"], 40)).wire_current_a("N1", "S5") == pytest.approx(
        0.0, abs=1e-12
    )
    near, round_about = ring_with_leak(row["S2"], loop / 2.0, row["X"])
    assert near / round_about == pytest.approx(p / q, rel=1e-9)
    assert row["X"] / row["r"] == row["d_km"]


def ring_with_leak(
    series_ohm: float, half_ohm: float, to_leak_ohm: float
) -> tuple[complex, complex]:
    """Current of conductor a each way round to a leak to earth, A: the near way, with a series
    resistance in it, and the other. A conductor has half of its segment's loop resistance."""
    ends = ((0, 1), (1, 2), (2, 0)) if series_ohm else ((0, 1), (1, 0))
    ohms = [series_ohm] * bool(series_ohm) + [half_ohm, half_ohm]
    path = network([(pair, 2.0 * ohm) for pair, ohm in zip(ends, ohms, strict=True)], [])
    path = replace(path, source_v=24.0, earth_reference_ohm=5.0)
    near, last = len(ends) - 1, len(ends)
    at = Place("segment", f"S{near}")
    leak = Fault("earth", at, 20.0, "a", fraction=to_leak_ohm / half_ohm)
    solution = solve(path, Condition(faults=(leak,)))
    assert solution.wire_current_b_a("N0", "S1") == pytest.approx(0.0, abs=1e-9)
    return solution.wire_current_a("N0", "S1"), -solution.wire_current_a("N0", f"S{last}")


def test_an_open_conductor_is_found_by_its_share_of_the_capacitance() -> None:
    """Section B: 0.12 µF against 0.40 µF of a whole 2 km is an open at 0.6 km."""
    # A segment's capacitance is half at each of its ends, so the open one is in the middle of its.
    lengths_m = (400.0, 400.0, 1200.0)
    cables = tuple(
        Segment(f"S{k + 1}", f"N{k}", f"N{k + 1}", each, "AWG 14")
        for k, each in enumerate(lengths_m)
    )
    path = WirePath("cable", 50.0, 24.0, 0j, 1500.0, tuple(map(node, range(4))), cables, ())
    path = replace(path, capacitance_nf_per_km=400.0 / 2.0)
    opened = Fault("open", Place("segment", "S2"), None, "a", fraction=0.5)
    whole = abs(solve(path).controller_current_a)
    part = abs(solve(path, Condition(faults=(opened,))).controller_current_a)
    assert part / whole == pytest.approx(0.12 / 0.40, rel=1e-4)
    assert whole == pytest.approx(24.0 * 2.0 * math.pi * 50.0 * 0.40e-6, rel=1e-3)


def test_published_feeder_of_33_buses_with_constant_power() -> None:
    """E3, Baran & Wu: line to line voltages and total powers make one phase of the three."""
    given, row = inputs("E3"), expected("E3")
    lines = list(
        zip(given["r_ohm"], given["x_ohm"], given["fr"], given["to"], given["ins"], strict=True)
    )
    source_v = 1000.0 * given["vn_kv"]
    powers = [complex(p, q) * 1e6 for p, q in zip(given["p_mw"], given["q"], strict=True)]
    path = WirePath(
        "feeder", 50.0, source_v, 0j, 1e9,
        tuple(node(k) for k in range(33)),
        tuple(
            span(k, (one, other), complex(r, x))
            for k, (r, x, one, other, used) in enumerate(lines, 1)
            if used
        ),
        tuple(
            Device(
                f"D{bus}", f"N{bus}", "other", 1000.0 * abs(power) / source_v,
                model="power", power_factor=power.real / abs(power),
            )
            for bus, power in zip(given["lb"], powers, strict=True)
        ),
    )  # fmt: skip
    solution = solve(path)
    volts = {f"N{k}": abs(solution.voltage_v(f"N{k}")) / source_v for k in range(33)}
    for bus, per_unit in given["vm"].items():
        assert volts[f"N{int(bus) - 1}"] == pytest.approx(per_unit, abs=1e-7)
    assert min(volts.values()) == pytest.approx(given["vmin"], abs=1e-7)
    sent = source_v * solution.controller_current_a.conjugate() - sum(powers)
    assert sent.real / 1000.0 == pytest.approx(given["loss_kw"], rel=1e-6)
    assert sent.imag / 1000.0 == pytest.approx(given["loss_kvar"], rel=1e-6)
    assert row["loss_kw"] == pytest.approx(given["loss_kw"], rel=1e-4)


def test_load_impedance_is_what_was_asked_for() -> None:
    """Guards the builder: a load of 240 + j180 Ω is 300 Ω at power factor 0.8."""
    device = load(1, 0, 240.0 + 180.0j, 24.0)
    assert (device.draw_ma, device.power_factor) == (pytest.approx(80.0), pytest.approx(0.8))
