"""How long a solve takes, how that grows, and scipy's sparse LU on the same network.

All times are medians of processor time in milliseconds, taken by turns in one run, so that other
work on the machine is not counted. ``whole``: from the path as data to currents in every wire.
``prepared``: the same on a path indexed before (``solve_prepared``). ``lu``: scipy's ``splu`` of
the same network's voltages, assembled from ready arrays, factorised and solved, with the faster
of two orderings; no currents worked out.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.linalg import splu

from benchmarks.limits import exponent
from benchmarks.report import table
from sites.network.elements import Device, Node, Segment, WirePath
from sites.network.faults import Condition, Fault, Place
from sites.network.prepared import PreparedPath, prepare
from sites.network.solve import solve, solve_prepared

SIZES = (100, 316, 1000, 3162, 10_000, 20_000)
SHAPES = ("straight", "branching", "bushy")
LOOPED = (1000, 10)
COIL_OHM = 40.0 + 100.0j

Row = dict[str, Any]


def run() -> list[Row]:
    """Time every shape at every size, and a path of 1,000 nodes with ten loops."""
    rows = []
    for shape in SHAPES:
        timed = [timed_row(shape, size, made_path(shape, size)) for size in SIZES]
        rows += [*timed, _growth(shape, timed)]
    size, loops = LOOPED
    rows.append(timed_row(f"branching, {loops} loops", size, made_path("branching", size, loops)))
    return rows


def made_path(shape: str, size: int, loops: int = 0) -> WirePath:
    """A path of ``size`` nodes with a device at each but the controller, seeded."""
    rng = random.Random(size)  # noqa: S311 - seeded cases
    above: dict[str, Callable[[int], int]] = {
        "straight": lambda at: at - 1,
        "branching": lambda at: rng.randrange(max(0, at - 8), at),
        "bushy": lambda at: (at - 1) // 3,
    }
    ends = [(above[shape](at), at) for at in range(1, size)]
    while len(ends) < size - 1 + loops:
        one, other = rng.sample(range(size), 2)
        ends.append((one, other))
    nodes = [Node("N0", "controller", 0.0, 0.0, "cabinet")]
    nodes += [Node(f"N{at}", "device-splice", 30.0 * at, 0.0, "box") for at in range(1, size)]
    return WirePath(
        label=f"{shape} {size}",
        frequency_hz=60.0,
        source_v=28.0,
        source_ohm=0.4 + 0.1j,
        trip_ma=1500.0,
        nodes=tuple(nodes),
        segments=tuple(
            Segment(f"S{k}", f"N{one}", f"N{other}", rng.uniform(15.0, 60.0), "AWG 14")
            for k, (one, other) in enumerate(ends, 1)
        ),
        devices=tuple(Device(f"D{at}", f"N{at}", "decoder", 400.0 / size) for at in range(1, size)),
    )


def timed_row(shape: str, size: int, path: WirePath) -> Row:
    """Medians of this path's solves, after both solvers were seen to agree.

    Raises RuntimeError where they do not, to a microvolt.
    """
    condition = Condition(
        coil_ohm=COIL_OHM, faults=(Fault("short", Place("device", f"D{size // 2}"), 3.0),)
    )
    prepared = prepare(path)
    answer = solve_prepared(prepared, condition).node_v
    lu_v = _by_lu(prepared, size // 2, "COLAMD")
    largest_error_v = float(np.max(np.abs(answer - lu_v)))
    if largest_error_v > 1e-6:
        raise RuntimeError(f"{shape} {size}: the two solvers differ by {largest_error_v} V")
    whole, ready, colamd, mmd = _medians_ms(
        lambda: solve(path, condition),
        lambda: solve_prepared(prepared, condition),
        lambda: _by_lu(prepared, size // 2, "COLAMD"),
        lambda: _by_lu(prepared, size // 2, "MMD_AT_PLUS_A"),
    )
    lu = min(colamd, mmd)
    return {
        "shape": shape,
        "nodes": size,
        "whole_ms": whole,
        "prepared_ms": ready,
        "lu_ms": lu,
        "lu/prepared": lu / ready,
        "lu/whole": lu / whole,
    }


def _growth(shape: str, rows: list[Row]) -> Row:
    """Exponents of the times over all sizes, in the columns of the times."""
    sizes = [float(row["nodes"]) for row in rows]
    growth: Row = {"shape": shape, "nodes": f"exponent {SIZES[0]} to {SIZES[-1]}"}
    for name in ("whole_ms", "prepared_ms", "lu_ms"):
        growth[name] = exponent(sizes, [row[name] for row in rows])
    return growth | {"lu/prepared": "", "lu/whole": ""}


def _by_lu(prepared: PreparedPath, fault_device: int, ordering: str) -> np.ndarray[Any, Any]:
    """Voltages between the conductors by sparse LU of the same loop network."""
    count = len(prepared.path.nodes)
    one, other = prepared.segment_nodes.T
    along = 0.5 / prepared.conductor_ohm
    source = 1.0 / (prepared.path.source_ohm + COIL_OHM)
    shunt_at = np.concatenate([prepared.devices.node, [fault_device, prepared.controller]])
    shunt = np.concatenate([prepared.devices.linear_siemens, [1.0 / 3.0, source]])
    rows = np.concatenate([one, other, one, other, shunt_at])
    columns = np.concatenate([one, other, other, one, shunt_at])
    values = np.concatenate([along, along, -along, -along, shunt])
    matrix = coo_array((values, (rows, columns)), shape=(count, count)).tocsc()
    right = np.zeros(count, dtype=np.complex128)
    right[prepared.controller] = prepared.path.source_v * source
    volts: np.ndarray[Any, Any] = splu(matrix, permc_spec=ordering).solve(right)
    return volts


def _medians_ms(*calls: Callable[[], object], budget_s: float = 1.5) -> list[float]:
    """Median of each call, taken by turns: at least 7 rounds, at most 60."""
    taken: list[list[float]] = [[] for _ in calls]
    stop_at = time.perf_counter() + budget_s
    while len(taken[0]) < 7 or (time.perf_counter() < stop_at and len(taken[0]) < 60):
        for call, times in zip(calls, taken, strict=True):
            started = time.process_time()
            call()
            times.append(1000.0 * (time.process_time() - started))
    return [float(np.median(times)) for times in taken]


def main() -> None:
    """Print the table."""
    rows = run()
    cells = [[f"{v:.3g}" if isinstance(v, float) else v for v in row.values()] for row in rows]
    print(table(list(rows[0]), cells))


if __name__ == "__main__":
    main()
