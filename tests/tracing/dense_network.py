"""A wire path as one dense nodal admittance matrix, from the survey's own words.

Written from ``docs/algorithms/posterior.md`` and the survey form alone; shares no code with the
project. The terminals are held at 1 V; a short is a Thevenin equivalent of the dense inverse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Document = dict[str, Any]
Vertex = tuple[str, str]

# Ohms per km of one conductor at 20 °C. AWG: 17.241 ohm mm2/km (IEC 60028) over the area of the
# diameter in inches as printed in ASTM B258 tables, here worked out by 0.460 in / 1.1229322^(g+3)
# (No. 0000 is 0.460 in, and No. 36 is 0.005 in, 39 steps on). mm2: IEC 60228 class 1.
STEP = (0.460 / 0.005) ** (1.0 / 39.0)
CLASS_1 = {"1.5 mm2": 12.1, "2.5 mm2": 7.41, "4 mm2": 4.61, "6 mm2": 3.08}


def conductor_ohm_per_km(name: str, temp_c: float) -> float:
    """One conductor of a segment, scaled by 0.00393 for each kelvin above 20 °C."""
    warm = 1.0 + 0.00393 * (temp_c - 20.0)
    if name in CLASS_1:
        return CLASS_1[name] * warm
    diameter_mm = 25.4 * 0.460 / STEP ** (int(name.split()[1]) + 3)
    return 17.241 * 4.0 / (math.pi * diameter_mm**2) * warm


@dataclass(frozen=True)
class Response:
    """What cells (C,) of one place, R and s show with 1 V at the terminals.

    ``volts`` (n, C), ``short`` the current in the short, ``total`` the one into the terminals.
    """

    scale: Floats
    volts: Complexes
    short: Complexes
    total: Complexes


class DenseNetwork:
    """Vertices (nodes that are reached, segment middles, ends of stubs) and what joins them."""

    def __init__(self, survey: Document) -> None:
        self.path = survey["path"]
        self.survey = survey
        self.root = next(n["id"] for n in survey["nodes"] if n["kind"] == "controller")
        self.number: dict[Vertex, int] = {("node", self.root): 0}
        self.branches: list[tuple[int, int, complex]] = []
        self.half_at: dict[tuple[str, str], tuple[int, int, complex]] = {}
        self.beyond: dict[str, set[str]] = {}
        self._join()
        size = len(self.number)
        self.fixed = np.zeros(size, dtype=complex)
        self._charge()
        self.device: dict[str, tuple[str, complex]] = {}
        self.load = np.zeros(size, dtype=complex)
        for device in survey["devices"]:
            at = self.number.get(("node", device["node"]))
            if at is None:
                continue
            phi = math.acos(device.get("power_factor", 1.0))
            siemens = device["draw_ma"] / 1000.0 / self.path["source_v"] * np.exp(-1j * phi)
            self.device[device["id"]] = (device["node"], siemens)
            self.load[at] += siemens

    def _joined_ends(self, segment: Document) -> set[str]:
        apart = segment.get("joint_open", False)
        if apart is False or apart is None:
            return {"from", "to"}
        return {"to"} if apart == "from" else {"from"}

    def _join(self) -> None:
        """Reach everything that hangs on the terminals; each segment is two halves."""
        waiting = [self.root]
        used: set[str] = set()
        above: dict[str, list[str]] = {self.root: []}
        while waiting:
            here = waiting.pop()
            for segment in self.survey["segments"]:
                ends = [e for e in self._joined_ends(segment) if segment[e] == here]
                if not ends or segment["id"] in used:
                    continue
                used.add(segment["id"])
                far_end = "to" if ends[0] == "from" else "from"
                whole = len(self._joined_ends(segment)) == 2
                far: Vertex = ("node", segment[far_end]) if whole else ("stub", segment["id"])
                if far in self.number:
                    raise ValueError(f"segment {segment['id']} closes a loop: open a joint")
                self._add_halves(segment, here, far)
                self.beyond[segment["id"]] = set()
                if whole:
                    above[far[1]] = [*above[here], segment["id"]]
                    for crossed in above[far[1]]:
                        self.beyond[crossed].add(far[1])
                    waiting.append(far[1])

    def _add_halves(self, segment: Document, here: str, far: Vertex) -> None:
        near = self.number[("node", here)]
        middle = self.number.setdefault(("middle", segment["id"]), len(self.number))
        end = self.number.setdefault(far, len(self.number))
        ohm = conductor_ohm_per_km(segment["conductor"], self.path.get("conductor_temp_c", 20.0))
        per_km = 2.0 * (ohm + 1j * segment.get("reactance_ohm_per_km", 0.0))
        half = per_km * segment["length_m"] / 1000.0 / 2.0
        self.branches += [(near, middle, half), (middle, end, half)]
        self.half_at[(here, segment["id"])] = (near, middle, half)
        if far[0] == "node":
            self.half_at[(far[1], segment["id"])] = (end, middle, half)

    def _charge(self) -> None:
        per_m = self.path.get("capacitance_nf_per_km", 0.0) * 1e-9 / 1000.0
        omega = 2.0 * math.pi * self.path["frequency_hz"]
        for segment in self.survey["segments"]:
            middle = self.number.get(("middle", segment["id"]))
            if middle is None:
                continue
            for u, v, _ in self.branches:
                if middle in (u, v):
                    self.fixed[u if v == middle else v] += (
                        1j * omega * per_m * segment["length_m"] / 2.0
                    )

    @property
    def node_ids(self) -> list[str]:
        """Nodes that are reached."""
        return [name for kind, name in self.number if kind == "node"]

    def admittances(self, scales: Floats) -> Complexes:
        """The whole nodal matrix (S, n, n) at each scale of the draws, terminals included."""
        cable = np.diag(self.fixed)
        for u, v, ohm in self.branches:
            cable[[u, v], [u, v]] += 1.0 / ohm
            cable[[u, v], [v, u]] -= 1.0 / ohm
        return np.asarray(cable + scales[:, None, None] * np.diag(self.load))

    def inverses(self, scales: Floats) -> tuple[Complexes, Complexes]:
        """Sound volts (S, n) at 1 V on the terminals, and ohms (S, n, n) with them at 0 V."""
        matrix = self.admittances(scales)
        size = matrix.shape[1]
        volts = np.ones((len(scales), size), dtype=complex)
        ohms = np.zeros((len(scales), size, size), dtype=complex)
        right = np.concatenate(
            [-matrix[:, 1:, :1], np.broadcast_to(np.eye(size - 1), matrix[:, 1:, 1:].shape)], 2
        )
        solved = np.linalg.solve(matrix[:, 1:, 1:], right)
        volts[:, 1:], ohms[:, 1:, 1:] = solved[:, :, 0], solved[:, :, 1:]
        return volts, ohms

    def shorted(
        self, at: int, ohm: Floats, scales: Floats, inverses: tuple[Complexes, Complexes]
    ) -> Response:
        """All pairs of R (outer) and s (inner) as cells, a short at one vertex; ``ohm`` is (R,),
        or (R, S) where every pair has its own."""
        sound, ohms = inverses
        each = ohm if ohm.ndim == 2 else ohm[:, None]
        short = sound[None, :, at] / (ohms[None, :, at, at] + each)  # (R, S)
        volts = sound.T[:, None, :] - ohms[:, :, at].T[:, None, :] * short[None]
        scale = np.broadcast_to(scales, short.shape).reshape(-1)
        flat = volts.reshape(len(self.number), -1)
        return self._response(scale, flat, short.reshape(-1), at)

    def sound(self, scales: Floats) -> Response:
        """The path without a short."""
        matrix = self.admittances(scales)
        volts = np.ones(matrix.shape[:2], dtype=complex)
        volts[:, 1:] = np.linalg.solve(matrix[:, 1:, 1:], -matrix[:, 1:, :1])[:, :, 0]
        return self._response(scales, volts.T, np.zeros(len(scales), dtype=complex), None)

    def _response(
        self, scale: Floats, volts: Complexes, short: Complexes, at: int | None
    ) -> Response:
        total = self.fixed[0] + scale * self.load[0]
        for u, v, ohm in self.branches:
            if u == 0:
                total = total + (volts[0] - volts[v]) / ohm
        if at == 0:
            total = total + short
        return Response(scale, volts, short, total)
