"""A path small enough to work out by hand, used by the tests of the rig, travel and cautions.

::

    N0 ─S1─ N1 ─S2─ N2          N0 cabinet, N1 and N3 boxes, N2 buried
     │      D1      D2 ·        S4 closes a loop; D1 runs station 7
     └─S3─ N3 ───S4─────┘
           D3

    N0 (0, 0)   N1 (72, 0)   N2 (72, 144)   N3 (0, 36), metres; 72 m is one minute's walk.
"""

from __future__ import annotations

from faults.tracing.problem import TraceProblem
from sites.network.elements import Device, Node, Segment, WirePath

SMALL_PATH = WirePath(
    label="Small path",
    frequency_hz=60.0,
    source_v=28.0,
    source_ohm=0.4 + 0.1j,
    trip_ma=1500.0,
    nodes=(
        Node("N0", "controller", 0.0, 0.0, "cabinet"),
        Node("N1", "device-splice", 72.0, 0.0, "box"),
        Node("N2", "device-splice", 72.0, 144.0, "buried"),
        Node("N3", "device-splice", 0.0, 36.0, "box"),
    ),
    segments=(
        Segment("S1", "N0", "N1", 75.0, "AWG 14"),
        Segment("S2", "N1", "N2", 150.0, "AWG 14"),
        Segment("S3", "N0", "N3", 40.0, "AWG 14"),
        Segment("S4", "N2", "N3", 140.0, "AWG 14"),
    ),
    devices=(
        Device("D1", "N1", "decoder", 1.2, stations=(7,)),
        Device("D2", "N2", "decoder", 1.2),
        Device("D3", "N3", "sensor", 0.8),
    ),
)
SMALL_PROBLEM = TraceProblem(path=SMALL_PATH)
