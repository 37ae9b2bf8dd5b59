"""Invented wire paths: where splices lie and how cables run between them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

SHAPES = ("straight", "branching", "bushy")
SHORTEST_M, LONGEST_M = 5.0, 60.0
INLINE_SHARE = 0.06
CONDUCTORS = ("AWG 14", "AWG 12", "AWG 16", "2.5 mm2")
CONDUCTOR_WEIGHTS = (0.45, 0.25, 0.1, 0.2)


@dataclass(slots=True)
class Spot:
    """A splice, cable end or the controller (parent -1); `devices` hang here."""

    parent: int
    x_m: float
    y_m: float
    heading: float
    length_m: float = 0.0
    conductor: str = ""
    devices: int = 0


@dataclass(slots=True)
class Layout:
    """Spots in the order in which they were laid; spot 0 is the controller."""

    rng: np.random.Generator
    spacing_m: float
    spots: list[Spot] = field(default_factory=lambda: [Spot(-1, 0.0, 0.0, 0.0)])

    def hop(self, parent: int, heading: float, conductor: str, devices: int) -> int:
        """Lay one cable from `parent`; now and then with an inline splice half-way."""
        if self.rng.random() < INLINE_SHARE:
            parent = self._lay(parent, heading, conductor, 0)
        return self._lay(parent, heading, conductor, devices)

    def run(self, parent: int, heading: float, conductor: str, devices: int) -> list[int]:
        """A run of device splices; the numbers of its spots."""
        laid = []
        while devices > 0:
            here = 2 if devices > 1 and self.rng.random() < 0.05 else 1
            heading += float(self.rng.normal(0.0, 0.12))
            parent = self.hop(parent, heading, conductor, here)
            laid.append(parent)
            devices -= here
        return laid

    def turn(self, heading: float) -> float:
        """A heading well off this one, to either side."""
        return heading + float(self.rng.choice([-1.0, 1.0]) * self.rng.uniform(0.8, 1.9))

    def conductor(self) -> str:
        """A conductor by the weights of `CONDUCTOR_WEIGHTS`."""
        return str(self.rng.choice(CONDUCTORS, p=CONDUCTOR_WEIGHTS))

    def _lay(self, parent: int, heading: float, conductor: str, devices: int) -> int:
        spread = float(self.rng.uniform(0.6, 1.4))
        straight_m = float(np.clip(self.spacing_m * spread, SHORTEST_M, LONGEST_M))
        start = self.spots[parent]
        x_m = round(start.x_m + straight_m * math.cos(heading), 1)
        y_m = round(start.y_m + straight_m * math.sin(heading), 1)
        true_m = math.hypot(x_m - start.x_m, y_m - start.y_m)
        length_m = math.ceil(10.0 * true_m * float(self.rng.uniform(1.0, 1.1))) / 10.0
        self.spots.append(Spot(parent, x_m, y_m, heading, length_m, conductor, devices))
        return len(self.spots) - 1


def lay_path(shape: str, devices: int, spacing_m: float, rng: np.random.Generator) -> Layout:
    """A path of this shape with this number of devices; one to three legs."""
    layout = Layout(rng, spacing_m)
    most = min(3 if shape != "straight" else 2, max(1, devices // 6))
    legs = int(rng.integers(1, most + 1))
    conductor = layout.conductor()
    for leg, share in enumerate(_shares(devices, legs, rng)):
        heading = 2.0 * math.pi * leg / legs + float(rng.uniform(-0.3, 0.3))
        if shape == "straight":
            layout.run(0, heading, conductor, share)
        elif shape == "branching":
            _branching(layout, heading, conductor, share)
        else:
            _thicket(layout, 0, heading, conductor, share)
    if rng.random() < 0.3:
        layout.hop(int(rng.integers(1, len(layout.spots))), float(rng.uniform(0, 6)), conductor, 0)
    return layout


def _shares(total: int, parts: int, rng: np.random.Generator) -> list[int]:
    """`total` in `parts` shares of at least one each."""
    if parts <= 1 or total <= parts:
        return [total]
    cuts = sorted(rng.choice(np.arange(1, total), parts - 1, replace=False).tolist())
    return [high - low for low, high in zip([0, *cuts], [*cuts, total], strict=True)]


def _branching(layout: Layout, heading: float, conductor: str, devices: int) -> None:
    rng = layout.rng
    branches = int(rng.integers(1, 2 + min(8, devices // 5)))
    main, *arms = _shares(devices, min(branches + 1, devices), rng)
    roots: list[int] = []
    at = 0
    for share in _shares(main, min(len(arms) + 1, main), rng):
        at = layout.run(at, heading, conductor, share)[-1]
        if rng.random() < 0.6:
            at = layout.hop(at, heading, conductor, 0)
        roots.append(at)
    for number, share in enumerate(arms):
        root = roots[number % len(roots)]
        wire = layout.conductor() if rng.random() < 0.2 else conductor
        layout.run(root, layout.turn(heading), wire, share)


def _thicket(layout: Layout, parent: int, heading: float, conductor: str, devices: int) -> None:
    rng = layout.rng
    here = min(devices, int(rng.integers(1, 6)))
    parent = layout.run(parent, heading, conductor, here)[-1]
    left = devices - here
    if left <= 0:
        return
    if rng.random() < 0.5:
        parent = layout.hop(parent, heading, conductor, 0)
    for share in _shares(left, int(rng.integers(2, 4)), rng):
        _thicket(layout, parent, layout.turn(heading), conductor, share)
