"""The ground of a second simulated field, written apart from the product's circuit engine.

It shares no code with the product: it reads the documents alone, has its own conductor tables,
its own solver and richer physics. Lengths lie a few percent off the map, devices spread about the
draws that the map says, switch off at low voltage or take constant power, cables have
capacitance, and a fault has another resistance at full voltage than behind the coil.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from tests.second_field.ladder import Settled, Tree, settle
from tests.second_field.loads import Loads
from tests.second_field.places import Document, Place
from tests.second_field.truth import Hookup, Spread, fault_of

# Ohms per km of one conductor at 20 °C. AWG: ASTM B258 diameter with 0.017241 ohm mm²/m
# (IEC 60028); mm²: the maximum of IEC 60228 class 1.
OHM_PER_KM = {
    "AWG 10": 3.2770,
    "AWG 12": 5.2107,
    "AWG 14": 8.2853,
    "AWG 16": 13.1742,
    "AWG 18": 20.9478,
    "1.5 mm2": 12.1,
    "2.5 mm2": 7.41,
    "4 mm2": 4.61,
    "6 mm2": 3.08,
}
COPPER_PER_KELVIN = 0.00393


class Ground:
    """A survey document as it lies in the ground, drawn once from a seed."""

    def __init__(self, document: Document, seed: int, spread: Spread | None = None) -> None:
        """Take a rehearsal document: only its survey and its first fault are used.

        Raises:
            ValueError: when the joints that are closed make a loop (trees only).
        """
        survey = document["survey"]
        self.spread = spread or Spread()
        self.path: Document = survey["path"]
        self.nodes: dict[str, Document] = {node["id"]: node for node in survey["nodes"]}
        self.segments: dict[str, Document] = {seg["id"]: seg for seg in survey["segments"]}
        self.devices: dict[str, Document] = {dev["id"]: dev for dev in survey.get("devices", [])}
        self.controller = next(n["id"] for n in survey["nodes"] if n["kind"] == "controller")
        self.wires: dict[str, list[str]] = {node: [] for node in self.nodes}
        for segment in self.segments.values():
            self.wires[segment["from"]].append(segment["id"])
            self.wires[segment["to"]].append(segment["id"])
        for device in self.devices.values():
            self.wires[device["node"]].append(device["id"])
        self.fault = fault_of(document, np.random.default_rng([seed, 3]), self.spread)
        self.length_m, self._temp_c, self._nf_per_km = self._drawn_cable(seed)
        self._lay()
        self.loads = self._drawn_loads(np.random.default_rng([seed, 2]))
        self._stub_m = float(np.random.default_rng([seed, 4]).uniform(*self.spread.stub_m))

    @property
    def legs(self) -> list[str]:
        """Segments that end at the controller."""
        return [wire for wire in self.wires[self.controller] if wire in self.segments]

    @property
    def source_ohm(self) -> complex:
        """Impedance of the source, from the document."""
        return complex(*self.path.get("source_ohm", (0.0, 0.0)))

    def holds_unmapped(self, node: str) -> bool:
        """Whether a cable that the map does not know hangs at this node."""
        return self.fault is not None and self.fault.place == ("unmapped", node)

    def flow(self, hookup: Hookup, start: Settled | None = None) -> Flow:
        """The steady state under this hookup; `start` is an earlier state to begin from."""
        series, shunt, parted = self._series.copy(), self._shunt.copy(), self._never.copy()
        series[0] += hookup.coil_ohm
        for leg in self.legs if hookup.legs_on is not None else ():
            if leg not in (hookup.legs_on or ()) and leg in self._feed_rows:
                parted[self._feed_rows[leg][0]] = True
        for place in hookup.cut:
            parted[self._cut_row(place)] = True
        drawing = np.ones(len(self.devices), dtype=np.bool_)
        for kind, name in hookup.isolated:
            if kind == "device":
                drawing[self._device_at[name]] = False
            elif kind == "segment" and name in self._feed_rows:
                self._bridge(name, series)
        fault_s = self._fault_admittance(hookup)
        if self._fault_row is not None:
            shunt[self._fault_row] += fault_s
        state = settle(
            Tree(self._parent, series, shunt, parted),
            self.loads.only(drawing),
            hookup.line_v,
            None if start is None else start.voltage_v,
        )
        return Flow(self, state, fault_s)

    def alone_a(self, device: str, hookup: Hookup) -> complex:
        """Current of this device by itself on the controller, behind the coil."""
        at_lead = self.fault is not None and self.fault.place == ("device", device)
        shunt = np.zeros(1, dtype=np.complex128)
        if self.fault is not None and at_lead and hookup.fault_there:
            shunt[0] = 1.0 / self.fault.ohm(hookup)
        series = np.array([self.source_ohm + hookup.coil_ohm])
        tree = Tree([-1], series, shunt, np.zeros(1, dtype=np.bool_))
        state = settle(tree, self.loads.alone(self._device_at[device]), hookup.line_v)
        return complex(state.feed_a[0])

    def _drawn_cable(self, seed: int) -> tuple[dict[str, float], float, float]:
        rng = np.random.default_rng([seed, 1])
        off_map = rng.normal(0.0, self.spread.length, len(self.segments))
        lengths = {
            name: segment["length_m"] * float(np.clip(1.0 + off, 0.85, 1.15))
            for (name, segment), off in zip(self.segments.items(), off_map, strict=True)
        }
        temp_c = float(rng.uniform(*self.spread.temp_c))
        return lengths, temp_c, float(rng.uniform(*self.spread.capacitance_nf_per_km))

    def _drawn_loads(self, rng: np.random.Generator) -> Loads:
        count, spread = len(self.devices), self.spread
        common = float(np.exp(rng.normal(0.0, spread.common_draw)))
        own = np.exp(rng.normal(0.0, spread.device_draw, count))
        told_ma = np.array([float(dev["draw_ma"]) for dev in self.devices.values()])
        rows = [self._row[dev["node"]] for dev in self.devices.values()]
        return Loads(
            row=np.array(rows, dtype=np.int64),
            full_a=told_ma * common * own / 1000.0,
            off_v=rng.uniform(*spread.off_v, count),
            steady_power=rng.random(count) < spread.steady_power_share,
            nominal_v=float(self.path["source_v"]),
        )

    def _ohm_per_m(self, segment: Document) -> complex:
        warm = 1.0 + COPPER_PER_KELVIN * (self._temp_c - 20.0)
        resistance = 2.0 * OHM_PER_KM[segment["conductor"]] * warm
        return complex(resistance, 2.0 * segment.get("reactance_ohm_per_km", 0.0)) / 1000.0

    def _lay(self) -> None:
        """Number the rows in preorder from the controller and give each its feed."""
        self._row: dict[str, int] = {}
        self._feed_rows: dict[str, tuple[int, ...]] = {}
        self._upper_node: dict[str, str] = {}
        self._feed_of: dict[str, str] = {}
        self._parent: list[int] = []
        self._series_list: list[complex] = []
        self._farads: list[float] = []
        self._fault_row: int | None = None
        self._add_row(-1, self.source_ohm, 0.0)
        self._row[self.controller] = 0
        stack = [(self.controller, wire) for wire in reversed(self._joined(self.controller))]
        while stack:
            upper, name = stack.pop()
            if name in self._feed_rows:
                continue
            lower = self._other_end(name, upper)
            if lower in self._row:
                raise ValueError(f"segment {name} closes a loop; this ground holds trees only")
            self._lay_segment(name, upper, lower)
            onward = [w for w in reversed(self._joined(lower)) if w != name]
            stack.extend((lower, wire) for wire in onward)
        self._finish_rows()

    def _finish_rows(self) -> None:
        missed = sorted(set(self.nodes) - set(self._row))
        if missed:
            raise ValueError(f"nodes {missed[:5]} hang on nothing")
        if self.fault is not None:
            kind, name = self.fault.place
            node = self.devices[name]["node"] if kind == "device" else name
            if kind in ("device", "splice", "unmapped"):
                self._fault_row = self._row[node]
        self._device_at = {name: position for position, name in enumerate(self.devices)}
        omega = 2.0 * np.pi * float(self.path["frequency_hz"])
        self._series = np.array(self._series_list, dtype=np.complex128)
        self._shunt = 1j * omega * np.array(self._farads)
        self._never = np.zeros(len(self._parent), dtype=np.bool_)

    def _add_row(self, parent: int, series_ohm: complex, farads: float) -> int:
        self._parent.append(parent)
        self._series_list.append(series_ohm)
        self._farads.append(farads / 2.0)
        if parent >= 0:
            self._farads[parent] += farads / 2.0
        return len(self._parent) - 1

    def _lay_segment(self, name: str, upper: str, lower: str) -> None:
        segment, length = self.segments[name], self.length_m[name]
        whole = self._ohm_per_m(segment) * length
        farads = self._nf_per_km * 1e-9 * length / 1000.0
        rows: tuple[int, ...]
        if self.fault is not None and self.fault.place == ("segment", name):
            share = self.fault.fraction if segment["from"] == upper else 1.0 - self.fault.fraction
            middle = self._add_row(self._row[upper], whole * share, farads * share)
            last = self._add_row(middle, whole * (1.0 - share), farads * (1.0 - share))
            self._fault_row = middle
            rows = (middle, last)
        else:
            rows = (self._add_row(self._row[upper], whole, farads),)
        self._row[lower] = rows[-1]
        self._feed_rows[name] = rows
        self._upper_node[name] = upper
        self._feed_of[lower] = name

    def _joined(self, node: str) -> list[str]:
        """Segments at this node with both ends joined (an open joint takes one off whole)."""
        here = (wire for wire in self.wires[node] if wire in self.segments)
        return [wire for wire in here if not self.segments[wire].get("joint_open", False)]

    def _other_end(self, segment: str, node: str) -> str:
        ends = self.segments[segment]
        return str(ends["to"] if ends["from"] == node else ends["from"])

    def _cut_row(self, place: Place) -> int:
        """The row whose feed a bare cut at this place parts."""
        kind, name = place
        if kind == "segment":
            return self._feed_rows[name][0]
        node = self.devices[name]["node"] if kind == "device" else name
        return self._feed_rows[self._feed_of[node]][-1]

    def _bridge(self, name: str, series: NDArray[np.complex128]) -> None:
        """A segment taken out and a lead of AWG 14 laid past it."""
        lead_ohm = 2.0 * OHM_PER_KM["AWG 14"] * self.length_m[name] / 1000.0
        rows = self._feed_rows[name]
        for row in rows:
            series[row] = lead_ohm / len(rows)

    def _fault_admittance(self, hookup: Hookup) -> complex:
        """What the fault takes, seen from its row: an unmapped one lies behind its own cable."""
        fault = self.fault
        if fault is None or not hookup.fault_there or fault.place in hookup.isolated:
            return 0j
        if fault.place[0] == "unmapped":
            stub_ohm = 2.0 * OHM_PER_KM["AWG 14"] * self._stub_m / 1000.0
            return complex(1.0 / (fault.ohm(hookup) + stub_ohm))
        return complex(1.0 / fault.ohm(hookup))


class Flow:
    """Currents and voltages of one steady state, asked for by the ids of the documents."""

    def __init__(self, ground: Ground, state: Settled, fault_s: complex) -> None:
        self._ground = ground
        self.state = state
        self._fault_s = fault_s

    @property
    def controller_a(self) -> complex:
        """Current out of the controller's terminals."""
        return complex(self.state.feed_a[0])

    def voltage_v(self, node: str) -> complex:
        """Voltage between the conductors; 0 for what hangs on nothing."""
        row = self._ground._row.get(node)
        return 0j if row is None else complex(self.state.voltage_v[row])

    @property
    def fault_a(self) -> complex:
        """Current into the fault."""
        row = self._ground._fault_row
        return 0j if row is None else complex(self.state.voltage_v[row] * self._fault_s)

    def device_a(self, device: str) -> complex:
        """Current in a device's lead, a fault at the device with it."""
        own = complex(self.state.device_a[self._ground._device_at[device]])
        fault = self._ground.fault
        at_lead = fault is not None and fault.place == ("device", device)
        return own + (self.fault_a if at_lead else 0j)

    def wire_a(self, node: str, wire: str) -> complex:
        """Current in a wire where it enters `node`, away from the controller positive."""
        ground = self._ground
        if wire in ground.devices:
            return self.device_a(wire)
        rows = ground._feed_rows.get(wire)
        if rows is None:
            return 0j
        row = rows[0] if ground._upper_node[wire] == node else rows[-1]
        return complex(self.state.feed_a[row])

    def unmapped_a(self, node: str) -> complex:
        """Current in the cable at this node that is not on the map."""
        return self.fault_a if self._ground.holds_unmapped(node) else 0j

    def device_voltages(self) -> Iterable[float]:
        """Magnitude of the voltage at each device."""
        return [abs(self.voltage_v(dev["node"])) for dev in self._ground.devices.values()]
