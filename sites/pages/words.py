"""Places and wires of a path in the words that pages use."""

from __future__ import annotations

from dataclasses import dataclass

from sites.network.elements import Node, WirePath

_NODE_KINDS = {
    "controller": "controller",
    "device-splice": "device splice",
    "branch-splice": "branch splice",
    "inline-splice": "inline splice",
    "cable-end": "cable end",
}
_ACCESS = {"cabinet": "in the cabinet", "box": "in a box", "buried": "buried"}
LENGTH_KNOWN = {"measured": "measured", "scaled": "scaled from the map", "guessed": "guessed"}


def node_name(node: Node) -> str:
    """What to look for on the ground: ``box B71``, ``buried splice B12``, ``controller C0``."""
    if node.kind == "controller":
        return f"controller {node.id}"
    if node.access == "buried":
        return f"buried {'cable end' if node.kind == 'cable-end' else 'splice'} {node.id}"
    return f"box {node.id}"


def node_kind(node: Node) -> str:
    """What is at a splice point and how it is reached."""
    return f"{_NODE_KINDS[node.kind]}, {_ACCESS[node.access]}"


@dataclass(frozen=True)
class PathWords:
    """Names for the things of one path."""

    path: WirePath

    def node(self, node_id: str) -> str:
        """A node by its id; the id alone where it is not on the map."""
        found = next((node for node in self.path.nodes if node.id == node_id), None)
        return node_id if found is None else node_name(found)

    def wire(self, wire: str | None, node_id: str = "") -> str:
        """A wire as it is met at a node: where the cable run leads, or whose lead it is."""
        if wire is None:
            return "the wire that is not on the map"
        segment = next((one for one in self.path.segments if one.id == wire), None)
        if segment is not None:
            ends = (segment.from_node, segment.to_node)
            if node_id in ends:
                other = ends[1] if node_id == ends[0] else ends[0]
                return f"cable run {wire} towards {other}"
            return f"cable run {wire}, {ends[0]} to {ends[1]}"
        if any(device.id == wire for device in self.path.devices):
            return f"the lead of device {wire}"
        return wire

    def place(self, at: dict[str, object]) -> str:
        """A place in the words of the forms, such as ``{"device": "D3"}``."""
        kind, name = next(iter(at.items()))
        if kind == "device":
            device = next((one for one in self.path.devices if one.id == name), None)
            return f"device {name}" + (f" at {self.node(device.node)}" if device else "")
        if kind == "splice":
            node = self.node(str(name))
            return f"the {node}" if node.startswith("buried splice") else f"the splice at {node}"
        if kind == "segment":
            return self.wire(str(name))
        if kind == "unmapped":
            return f"something that is not on the map, at {self.node(str(name))}"
        return {
            "controller": "the controller itself",
            "none": "nothing wrong now",
            "overload": "a sound path that draws too much",
        }.get(kind, "something else")
