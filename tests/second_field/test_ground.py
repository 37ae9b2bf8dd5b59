"""The ground of the second field: hand-worked networks, balances and a dense nodal solve."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.architecture.house import ROOT
from tests.second_field.cases import case_of
from tests.second_field.coil import WarmingCoil
from tests.second_field.ground import OHM_PER_KM, Ground
from tests.second_field.loads import Loads
from tests.second_field.places import Document
from tests.second_field.small_paths import ONE_OHM_M, fork, ladder_of, rehearsal, short
from tests.second_field.truth import EXACT, Hookup, Spread

SEEDS = st.integers(min_value=0, max_value=400)


# In a process of its own: imports the modules that are named, and prints what of this project,
# by the folder of its file, is there then.
PROBE = """
import importlib, sys

root, *names = sys.argv[1:]
sys.path.insert(0, root)
for name in names:
    importlib.import_module(name)
files = {name: getattr(module, "__file__", None) or "" for name, module in sys.modules.items()}
ours = [n for n, file in files.items() if file.startswith(root) and "site-packages" not in file]
print("\\n".join(sorted(ours)))
"""


def loaded_with(*modules: str) -> set[str]:
    """Modules of this repository that importing these loads, however far down."""
    names = [f"tests.second_field.{module}" for module in modules]
    ran = subprocess.run(
        [sys.executable, "-I", "-c", PROBE, str(ROOT), *names],
        capture_output=True,
        text=True,
        check=True,
        timeout=600,
    )
    return set(ran.stdout.split())


def test_all_but_the_player_load_nothing_of_the_product_however_far_down() -> None:
    """Nor anything else of the tests or benchmarks, through which it might come in."""
    modules = {file.stem for file in Path(__file__).parent.glob("*.py")}
    computing = sorted(
        name for name in modules - {"__init__", "play"} if not name.startswith("test_")
    )
    assert len(computing) > 10
    own = {f"tests.second_field.{name}" for name in computing}
    assert loaded_with(*computing) == own | {"tests", "tests.second_field"}


def test_what_the_player_loads_of_the_product_is_seen() -> None:
    """The probe sees what comes in by way of others: the player names no circuit solver."""
    assert {"faults.tracing.session", "sites.network.elements"} <= loaded_with("play")


@pytest.mark.parametrize("gauge", [10, 12, 14, 16, 18])
def test_awg_table_is_that_of_the_gauge_formula(gauge: int) -> None:
    # Diameter by ASTM B258: 0.005 in × 92^((36 − n)/39); copper of IEC 60028, 0.017241 ohm mm²/m.
    diameter_mm = 25.4 * 0.005 * 92.0 ** ((36 - gauge) / 39.0)
    ohm_per_km = 17.241 / (math.pi * diameter_mm**2 / 4.0)
    assert OHM_PER_KM[f"AWG {gauge}"] == pytest.approx(ohm_per_km, rel=2e-5)


def test_two_nodes_by_hand() -> None:
    # 0.4 ohm source, 100 m of 2.5 mm² (2 × 0.741 ohm), 280 ohm device beside a 2 ohm short.
    document = rehearsal(
        nodes=[("N0", "controller"), ("N1", "device-splice")],
        segments=[("S1", "N0", "N1", 100.0)],
        devices=[("D1", "N1", 100.0)],
        faults=[short({"device": "D1"}, 2.0)],
        path={"source_ohm": [0.4, 0.0]},
    )
    ground = Ground(document, 1, EXACT)
    together = 1.0 / (1.0 / 280.0 + 1.0 / 2.0)
    total_a = 28.0 / (0.4 + 1.482 + together)
    flow = ground.flow(Hookup(line_v=28.0))
    assert flow.controller_a == pytest.approx(total_a, rel=1e-9)
    assert flow.wire_a("N1", "D1") == pytest.approx(total_a, rel=1e-9)
    assert flow.voltage_v("N1") == pytest.approx(total_a * together, rel=1e-9)
    sound = ground.flow(Hookup(line_v=28.0, fault_there=False))
    assert sound.controller_a == pytest.approx(28.0 / (0.4 + 1.482 + 280.0), rel=1e-9)


def test_three_nodes_by_hand_behind_a_coil() -> None:
    # Coil 40 + 100j; 1 ohm to N1 with a 3 ohm short at its splice; 1 ohm on to N2 with 140 ohm.
    document = rehearsal(
        nodes=[("N0", "controller"), ("N1", "inline-splice"), ("N2", "device-splice")],
        segments=[("S1", "N0", "N1", ONE_OHM_M), ("S2", "N2", "N1", ONE_OHM_M)],
        devices=[("D1", "N2", 200.0)],
        faults=[short({"splice": "N1"}, 3.0)],
    )
    flow = Ground(document, 1, EXACT).flow(Hookup(line_v=28.0, coil_ohm=40 + 100j))
    beyond = 1.0 + 140.0
    together = 3.0 * beyond / (3.0 + beyond)
    total_a = 28.0 / (40 + 100j + 1.0 + together)
    assert flow.wire_a("N1", "S1") == pytest.approx(total_a, rel=1e-9)
    assert flow.wire_a("N1", "S2") == pytest.approx(total_a * 3.0 / (3.0 + beyond), rel=1e-9)
    assert flow.fault_a == pytest.approx(total_a * beyond / (3.0 + beyond), rel=1e-9)


@pytest.mark.parametrize(("sections", "ohm"), [(1, 2.0), (2, 5 / 3), (3, 13 / 8), (4, 34 / 21)])
def test_ladder_of_ones_gives_ratios_of_fibonacci_numbers(sections: int, ohm: float) -> None:
    # Textbook ladder of 1 ohm in series and 1 ohm across: F(2n+1) / F(2n).
    flow = Ground(ladder_of(sections), 1, EXACT).flow(Hookup(line_v=28.0))
    assert 28.0 / flow.controller_a == pytest.approx(ohm, rel=1e-9)


@pytest.mark.parametrize("turned", [False, True])
def test_a_short_in_a_segment_lies_at_its_fraction_from_the_from_end(turned: bool) -> None:
    ends = ("N1", "N0") if turned else ("N0", "N1")
    document = rehearsal(
        nodes=[("N0", "controller"), ("N1", "cable-end")],
        segments=[("S1", *ends, 4.0 * ONE_OHM_M)],
        devices=[],
        faults=[short({"segment": "S1", "fraction": 0.25}, 1.0)],
    )
    flow = Ground(document, 1, EXACT).flow(Hookup(line_v=28.0))
    ohm_before = 3.0 if turned else 1.0
    assert flow.wire_a("N0", "S1") == pytest.approx(28.0 / (ohm_before + 1.0), rel=1e-9)
    assert flow.wire_a("N1", "S1") == pytest.approx(0.0, abs=1e-12)


def test_an_isolated_place_is_out_and_the_path_goes_on() -> None:
    ground = Ground(fork({"splice": "N2"}), 1, EXACT)
    live = Hookup(line_v=28.0)
    off = ground.flow(Hookup(line_v=28.0, isolated=frozenset({("splice", "N2")})))
    cut = ground.flow(Hookup(line_v=28.0, cut=frozenset({("splice", "N2")})))
    assert abs(ground.flow(live).fault_a) > 5.0
    assert off.fault_a == 0
    assert abs(off.wire_a("N3", "S3")) == pytest.approx(0.002, rel=0.01)
    assert cut.wire_a("N3", "S3") == 0
    assert cut.wire_a("N2", "S2") == 0
    assert abs(cut.wire_a("N1", "D1")) == pytest.approx(0.002, rel=0.01)


def test_a_bridged_segment_still_feeds_what_lies_beyond() -> None:
    ground = Ground(fork({"segment": "S2", "fraction": 0.5}), 1, EXACT)
    bridged = ground.flow(Hookup(line_v=28.0, isolated=frozenset({("segment", "S2")})))
    assert bridged.fault_a == 0
    assert abs(bridged.wire_a("N1", "S2")) == pytest.approx(0.006, rel=0.01)


def test_legs_taken_off_carry_nothing() -> None:
    ground = Ground(fork({"device": "D3"}), 1, EXACT)
    other = ground.flow(Hookup(line_v=28.0, legs_on=frozenset({"S5"})))
    nothing = ground.flow(Hookup(line_v=28.0, legs_on=frozenset()))
    assert abs(other.controller_a) == pytest.approx(0.002, rel=0.01)
    assert nothing.controller_a == 0


def balance_at(ground: Ground, hookup: Hookup, node: str) -> float:
    """What flows in less what flows out at a node, in A: fault and cable capacitance with it."""
    flow = ground.flow(hookup)
    omega = 2.0 * math.pi * ground.path["frequency_hz"]
    feed = ground._feed_of.get(node)
    total = flow.wire_a(node, feed) if feed else flow.controller_a
    for wire in ground.wires[node]:
        total -= flow.wire_a(node, wire) if wire != feed else 0
    if ground.fault is not None and ground.fault.place in (("splice", node), ("unmapped", node)):
        total -= flow.fault_a
    total -= 1j * omega * ground._farads[ground._row[node]] * flow.voltage_v(node)
    return float(abs(total))


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS, behind_coil=st.booleans())
def test_what_flows_into_a_node_flows_out(seed: int, behind_coil: bool) -> None:
    case = case_of(seed)
    ground = Ground(case.document, seed)
    coil = complex(*case.document["series_coil_ohm"]) if behind_coil else 0j
    hookup = Hookup(line_v=ground.path["source_v"], coil_ohm=coil)
    chosen = np.random.default_rng(seed).choice(list(ground.nodes), 6)
    assert max(balance_at(ground, hookup, str(node)) for node in chosen) < 1e-7


def dense_voltages(document: Document, coil_ohm: complex) -> dict[str, complex]:
    """Nodal voltages of the exact map with resistor devices, by one dense solve.

    Made for faults at a device or splice; each segment is a conductance between two rows.
    """
    survey = document["survey"]
    order = {node["id"]: row for row, node in enumerate(survey["nodes"])}
    matrix = np.zeros((len(order), len(order)), dtype=complex)
    right = np.zeros(len(order), dtype=complex)
    for segment in survey["segments"]:
        if segment.get("joint_open"):
            continue
        one, two = order[segment["from"]], order[segment["to"]]
        siemens = 1000.0 / (2.0 * OHM_PER_KM[segment["conductor"]] * segment["length_m"])
        matrix[[one, two], [one, two]] += siemens
        matrix[[one, two], [two, one]] -= siemens
    source_v = survey["path"]["source_v"]
    for device in survey["devices"]:
        row = order[device["node"]]
        matrix[row, row] += device["draw_ma"] / 1000.0 / source_v
    at = document["faults"][0]["at"]
    holder = {dev["id"]: dev["node"] for dev in survey["devices"]}
    row = order[holder[at["device"]] if "device" in at else at["splice"]]
    matrix[row, row] += 1.0 / document["faults"][0]["resistance_ohm"]
    feed = 1.0 / (complex(*survey["path"]["source_ohm"]) + coil_ohm)
    top = next(order[node["id"]] for node in survey["nodes"] if node["kind"] == "controller")
    matrix[top, top] += feed
    right[top] = feed * source_v
    solved = np.linalg.solve(matrix, right)
    return {name: complex(solved[row]) for name, row in order.items()}


@pytest.mark.parametrize("seed", [1, 4, 9, 11, 15, 23])
def test_sweeps_equal_a_dense_nodal_solve_of_the_map(seed: int) -> None:
    document = case_of(seed).document
    splice = document["survey"]["nodes"][-1]["id"]
    document["faults"] = [short({"splice": splice}, 3.0)]
    coil = 40 + 100j
    flow = Ground(document, seed, EXACT).flow(
        Hookup(line_v=document["survey"]["path"]["source_v"], coil_ohm=coil)
    )
    dense = dense_voltages(document, coil)
    apart = [abs(flow.voltage_v(node) - volts) for node, volts in dense.items()]
    assert len(apart) == len(document["survey"]["nodes"])
    assert max(apart) < 1e-9


def one_load(*, steady_power: bool) -> Loads:
    row = np.zeros(1, dtype=np.int64)
    amps, volts, power = np.array([0.01]), np.array([10.0]), np.array([steady_power])
    return Loads(row=row, full_a=amps, off_v=volts, steady_power=power, nominal_v=28.0)


@pytest.mark.parametrize(("steady_power", "at_20_v"), [(False, 0.01 * 20 / 28), (True, 0.014)])
def test_a_device_switches_off_at_low_voltage(steady_power: bool, at_20_v: float) -> None:
    loads = one_load(steady_power=steady_power)
    current, slope = loads.at(np.array([20.0]))
    assert current[0] == pytest.approx(at_20_v, rel=1e-6)
    assert (slope[0] < 0) == steady_power
    assert loads.at(np.array([6.0]))[0][0] < 1e-6


@pytest.mark.parametrize("volts", [9.7, 10.0, 10.4, 17.0, 26.0])
@pytest.mark.parametrize("steady_power", [False, True])
def test_slope_of_a_device_is_that_of_its_current(steady_power: bool, volts: float) -> None:
    loads = one_load(steady_power=steady_power)
    step = 1e-6
    rise = loads.at(np.array([volts + step]))[0] - loads.at(np.array([volts - step]))[0]
    assert loads.at(np.array([volts]))[1][0] == pytest.approx(float(rise[0]) / (2 * step), rel=1e-5)


def test_behind_a_coil_into_a_short_the_decoders_are_off() -> None:
    case = case_of(8)
    ground = Ground(case.document, 8)
    coil = complex(*case.document["series_coil_ohm"])
    flow = ground.flow(Hookup(line_v=ground.path["source_v"], coil_ohm=coil))
    highest_v = max(flow.device_voltages())
    assert highest_v < 8.0
    own_ma = [1000 * abs(current) for current in flow.state.device_a]
    assert max(own_ma) < 1e-3


def test_draws_and_lengths_spread_as_they_say() -> None:
    count = 400
    names = [f"N{number}" for number in range(count + 1)]
    document = rehearsal(
        nodes=[(name, "controller" if name == "N0" else "device-splice") for name in names],
        segments=[(f"S{n}", names[n - 1], names[n], 10.0) for n in range(1, count + 1)],
        devices=[(f"D{n}", names[n], 1.0) for n in range(1, count + 1)],
        faults=[],
    )
    common = []
    for seed in range(60):
        ground = Ground(document, seed)
        logs = np.log(1000.0 * ground.loads.full_a)
        assert np.std(logs) == pytest.approx(0.3, abs=0.06)
        common.append(float(np.mean(logs)))
        off_map = np.array(list(ground.length_m.values())) / 10.0 - 1.0
        assert np.std(off_map) == pytest.approx(0.03, abs=0.006)
    assert np.std(common) == pytest.approx(0.35, abs=0.12)


def test_a_fault_mostly_conducts_better_at_full_voltage() -> None:
    document = fork({"device": "D3"}, 4.0)
    faults = [Ground(document, seed).fault for seed in range(300)]
    factors = [f.full_voltage_ohm / f.low_voltage_ohm for f in faults if f is not None]
    assert len(factors) == 300
    assert min(factors) >= 0.7
    assert max(factors) <= 1.4
    assert 0.65 < np.mean(np.array(factors) < 1.0) < 0.85


def test_a_fault_takes_its_other_resistance_behind_the_coil() -> None:
    ground = Ground(fork({"device": "D3"}, 4.0), 5)
    assert ground.fault is not None
    assert ground.fault.full_voltage_ohm != pytest.approx(4.0, rel=1e-3)
    for coil_ohm, ohm in [(0j, ground.fault.full_voltage_ohm), (40 + 100j, 4.0)]:
        flow = ground.flow(Hookup(line_v=28.0, coil_ohm=coil_ohm))
        assert flow.fault_a == pytest.approx(flow.voltage_v("N3") / ohm, rel=1e-9)


def test_an_unmapped_short_lies_behind_its_own_cable() -> None:
    exact = Spread(
        **{**{name: getattr(EXACT, name) for name in EXACT.__slots__}, "stub_m": (30, 30)}
    )
    ground = Ground(fork({"unmapped": "N4"}, 2.0), 1, exact)
    flow = ground.flow(Hookup(line_v=28.0))
    stub_ohm = 2 * 8.2853 * 0.030
    assert flow.unmapped_a("N4") == pytest.approx(flow.voltage_v("N4") / (2.0 + stub_ohm))
    assert flow.unmapped_a("N3") == 0
    assert ground.holds_unmapped("N4")


def test_a_loop_is_refused() -> None:
    document = fork({"device": "D3"})
    document["survey"]["segments"].append(
        {"id": "S6", "from": "N3", "to": "N4", "length_m": 90.0, "conductor": "2.5 mm2"}
    )
    with pytest.raises(ValueError, match="closes a loop"):
        Ground(document, 1)
    document["survey"]["segments"][-1]["joint_open"] = True
    assert Ground(document, 1).wires["N3"] == ["S3", "S6", "D3"]


def test_the_coil_warms_with_its_lag_and_cools() -> None:
    coil = WarmingCoil(cold_ohm=40 + 100j, most_rise=0.12, lag_min=20.0)
    # 0.3 A through 40 ohm is 3.6 W: more than full heat, so it tends to the whole rise.
    coil.pass_time(20.0, 0.3)
    assert coil.rise == pytest.approx(0.12 * (1 - math.exp(-1)))
    assert coil.ohm == pytest.approx(complex(40 * (1 + coil.rise), 100))
    coil.pass_time(600.0, 0.3)
    assert coil.rise == pytest.approx(0.12)
    coil.pass_time(20.0, 0.0)
    assert coil.rise == pytest.approx(0.12 * math.exp(-1))
    # 0.1 A is 0.4 W and a little more when warm: some 2 % of rise in the end.
    coil.pass_time(2000.0, 0.1)
    assert coil.rise == pytest.approx(0.12 * 0.4 * (1 + coil.rise) / 3.0, rel=0.2)
