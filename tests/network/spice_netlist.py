"""A wire path under a condition as a netlist for ngspice, written element by element.

Nothing here comes from the solvers: neither their topology nor their reading of a condition. A
0 V source sits in each conductor at each end of each segment and in each lead, as an ammeter.
"""

from __future__ import annotations

import math
import shutil
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import networkx as nx

from sites.network.elements import Device, Segment, WirePath
from sites.network.faults import Condition, Fault

COPPER = {  # ohms per km at 20 °C, copied by hand from the shared table of conductors
    "AWG 10": 3.27703710,
    "AWG 12": 5.21069310,
    "AWG 14": 8.28532657,
    "AWG 16": 13.17418529,
    "AWG 18": 20.94777514,
    "1.5 mm2": 12.1,
    "2.5 mm2": 7.41,
    "4 mm2": 4.61,
    "6 mm2": 3.08,
}


@dataclass
class Netlist:
    path: WirePath
    condition: Condition
    lines: list[str] = field(default_factory=list)
    meters: dict[tuple[str, str, str], str] = field(default_factory=dict)
    count: int = 0

    def put(self, kind: str, one: str, other: str, value: str) -> str:
        self.count += 1
        name = f"{kind}{self.count}"
        self.lines.append(f"{name} {one} {other} {value}")
        return name

    def impedance(self, one: str, other: str, ohm: complex) -> None:
        """R and L in series; ngspice wants no zeros."""
        middle = other
        if ohm.imag:
            middle = f"m{self.count}"
            henry = ohm.imag / (2.0 * math.pi * self.path.frequency_hz)
            self.put("L", middle, other, f"{henry:.15g}")
        self.put("R", one, middle, f"{max(ohm.real, 1e-7):.15g}")

    def meter(self, place: tuple[str, str, str], one: str, other: str) -> None:
        self.meters[place] = self.put("V", one, other, "dc 0 ac 0").lower()

    def faults_at(self, kind: str, element_id: str) -> list[Fault]:
        return [
            fault
            for fault in self.condition.faults
            if fault.at.kind == kind
            and fault.at.id == element_id
            and fault.at not in self.condition.isolated
        ]

    def apart(self, segment: Segment, end: str) -> bool:
        node = segment.from_node if end == "from" else segment.to_node
        if segment.id in self.condition.legs_off and node == self.path.controller.id:
            return True
        if (segment.id, end) in self.condition.joints_open:
            return True
        return segment.joint_open == end and (segment.id, end) not in self.condition.joints_closed

    def parted_ends(self, node_id: str) -> set[tuple[str, str]]:
        """Segment ends off the splice body where a conductor is open there."""
        graph = nx.Graph()
        graph.add_nodes_from(node.id for node in self.path.nodes)
        ends = []
        for segment in self.path.segments:
            if not self.apart(segment, "from") and not self.apart(segment, "to"):
                graph.add_edge(segment.from_node, segment.to_node)
            for end, here, there in (
                ("from", segment.from_node, segment.to_node),
                ("to", segment.to_node, segment.from_node),
            ):
                whole = not self.apart(segment, "from") and not self.apart(segment, "to")
                if here == node_id and whole:
                    ends.append((segment.id, end, there))
        graph.remove_node(node_id)
        controller = self.path.controller.id
        leading = {
            (segment, end)
            for segment, end, there in ends
            if node_id != controller and nx.has_path(graph, controller, there)
        }
        if node_id == controller:
            return set()
        return leading if len(leading) == 1 else {(segment, end) for segment, end, _ in ends}


def write_netlist(path: WirePath, condition: Condition) -> Netlist:
    net = Netlist(path, condition)
    controller = path.controller.id
    net.put("V", "plus", "0", f"dc 0 ac {path.source_v!r}")
    net.impedance("plus", "before_coil", path.source_ohm)
    net.impedance("before_coil", "after_coil", condition.coil_ohm or 0j)
    opened = {f.conductor for f in net.faults_at("splice", controller) if f.kind == "open"}
    for conductor, terminal in (("a", "after_coil"), ("b", "0")):
        if conductor not in opened:
            net.put("V", terminal, f"{conductor}_{controller}", "dc 0 ac 0")
    if path.earth_reference_ohm is not None:
        net.put("R", f"b_{controller}", "earth", repr(max(path.earth_reference_ohm, 1e-6)))
    for segment in path.segments:
        _write_segment(net, segment)
    for device in path.devices:
        _write_device(net, device)
    for node in path.nodes:
        for fault in [*net.faults_at("splice", node.id), *net.faults_at("unmapped", node.id)]:
            _write_bridge(net, fault, f"a_{node.id}", f"b_{node.id}")
    return net


def _write_bridge(net: Netlist, fault: Fault, a: str, b: str) -> None:
    if fault.kind == "short":
        net.put("R", a, b, repr(fault.resistance_ohm))
    elif fault.kind == "earth":
        net.put("R", a if fault.conductor == "a" else b, "earth", repr(fault.resistance_ohm))


def _write_segment(net: Netlist, segment: Segment) -> None:
    path = net.path
    km = segment.length_m / 1000.0
    per_km = COPPER[segment.conductor] * (1.0 + 0.00393 * (path.conductor_temp_c - 20.0))
    ohm = complex(per_km, segment.reactance_ohm_per_km) * km
    parted = {
        (fault.conductor, end)
        for node_id in (segment.from_node, segment.to_node)
        for fault in net.faults_at("splice", node_id)
        if fault.kind == "open"
        for segment_id, end in net.parted_ends(node_id)
        if segment_id == segment.id
        and node_id == (segment.from_node if end == "from" else segment.to_node)
    }
    for end, node_id in (("from", segment.from_node), ("to", segment.to_node)):
        for conductor in "ab":
            core = f"{conductor}_{node_id}"
            if net.apart(segment, end) or (conductor, end) in parted:
                core = f"loose_{conductor}_{segment.id}_{end}"
            inner = f"{conductor}_{segment.id}_{end}"
            net.meter((node_id, segment.id, conductor), core, inner)
        if path.capacitance_nf_per_km:
            farad = 0.5e-9 * path.capacitance_nf_per_km * km
            net.put("C", f"a_{segment.id}_{end}", f"b_{segment.id}_{end}", f"{farad:.15g}")
    spots = sorted(net.faults_at("segment", segment.id), key=lambda fault: fault.fraction)
    left, done = {c: f"{c}_{segment.id}_from" for c in "ab"}, 0.0
    for number, fault in enumerate(spots):
        right = {c: f"{c}_{segment.id}_spot{number}" for c in "ab"}
        for conductor in "ab":
            net.impedance(left[conductor], right[conductor], ohm * (fault.fraction - done))
        _write_bridge(net, fault, right["a"], right["b"])
        if fault.kind == "open":
            right[str(fault.conductor)] += "_after"
        left, done = right, fault.fraction
    for conductor in "ab":
        end = f"{conductor}_{segment.id}_to"
        net.impedance(left[conductor], end, ohm * (1.0 - done))


def _write_device(net: Netlist, device: Device) -> None:
    if any(p.kind == "device" and p.id == device.id for p in net.condition.isolated):
        return
    faults = net.faults_at("device", device.id)
    opened = {fault.conductor for fault in faults if fault.kind == "open"}
    for conductor in "ab":
        core = f"{conductor}_{device.node}"
        if conductor in opened:
            core = f"loose_{conductor}_{device.id}"
        net.meter((device.node, device.id, conductor), core, f"{conductor}_{device.id}")
    a, b = f"a_{device.id}", f"b_{device.id}"
    if device.draw_ma:
        size = net.path.source_v / (device.draw_ma / 1000.0)
        turned = math.sqrt(1.0 - device.power_factor**2)
        net.impedance(a, b, complex(size * device.power_factor, size * turned))
    for fault in faults:
        _write_bridge(net, fault, a, b)


def run_ngspice(net: Netlist, folder: Path) -> dict[tuple[str, str, str], complex]:
    """Currents in amperes by (node, wire, conductor), out of the node into the wire.

    Fails where ngspice is not installed: these checks are not to be skipped.
    """
    if shutil.which("ngspice") is None:
        raise AssertionError("ngspice is not installed: apt-get install -y ngspice")
    out = folder / "out.raw"
    hertz = repr(net.path.frequency_hz)
    lines = [
        "* a wire path",
        *net.lines,
        ".options rshunt=1e13 reltol=1e-9",
        ".control",
        "set filetype=ascii",
        f"ac lin 1 {hertz} {hertz}",
        f"write {out}",
        ".endc",
        ".end",
    ]
    deck = folder / "path.cir"
    deck.write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = subprocess.run(
        ["ngspice", "-b", str(deck)], capture_output=True, text=True, timeout=60, check=False
    )
    if not out.exists():
        raise AssertionError(f"ngspice gave no result:\n{done.stdout}\n{done.stderr}")
    vectors = _read_raw(out.read_text(encoding="utf-8"))
    return {place: vectors[f"i({name})"] for place, name in net.meters.items()}


def _read_raw(text: str) -> dict[str, complex]:
    """An ASCII raw file of one point: names under Variables, "re,im" under Values."""
    head, values = text.split("Values:", 1)
    names = [row.split()[1] for row in head.split("\nVariables:", 1)[1].strip().splitlines()]
    numbers = values.split()[1:]
    pairs = [tuple(map(float, number.split(","))) for number in numbers]
    return {name: complex(*pair) for name, pair in zip(names, pairs, strict=True)}
