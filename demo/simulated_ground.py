"""The ground under an invented path, answering the steps of a trace as documents."""

from __future__ import annotations

import math
import zlib
from dataclasses import replace
from typing import Any

import numpy as np

from demo.laying import SEED, LaidPath
from faults.forms.observation import observation_document
from faults.forms.place import read_joint, read_place
from faults.rehearsal.field import Field
from faults.rehearsal.rehearsal import Rehearsal
from faults.tracing.problem import Costs, Meter
from faults.tracing.step import STEP_MAY, STEP_NEEDS, Step
from sites.network.elements import WirePath
from sites.network.faults import Fault

Document = dict[str, Any]

COIL_OHM = {"North crew": 44.0 + 96.0j, "South crew": 51.0 + 88.0j}
_DRAW_SPREAD = 0.2


class SimulatedGround:
    """A path with a fault in it, a technician on it, and a meter. ``minutes`` have passed."""

    def __init__(self, laid: LaidPath, fault: Fault, crew: str, seed: int) -> None:
        self._field = Field(
            Rehearsal(
                survey=laid.path,
                actual=as_it_is(laid.path),
                coil_ohm=COIL_OHM[crew],
                faults=(fault,),
                meter=Meter(),
                seed=seed,
                costs=Costs(),
            )
        )

    @property
    def minutes(self) -> float:
        """Minutes since the trace began."""
        return self._field.minutes

    def answer(self, step: Document) -> Document:
        """What comes of a step, both as documents of the trace form."""
        return observation_document(self._field.answer(asked(step)))


def as_it_is(path: WirePath) -> WirePath:
    """The path with devices that draw more or less than the map says; the same every time."""
    rng = np.random.default_rng([SEED, 3, zlib.crc32(path.label.encode())])
    devices = tuple(
        replace(
            device,
            draw_ma=round(device.draw_ma * 1.08 * math.exp(rng.normal(0.0, _DRAW_SPREAD)), 3),
        )
        for device in path.devices
    )
    return replace(path, devices=devices)


def asked(document: Document) -> Step:
    """What a step's document asks for. Its words for people (why, cautions) are left out."""
    do = document["do"]
    names = (*STEP_NEEDS[do], *STEP_MAY.get(do, ()))
    where = {name: _read(name, document[name]) for name in names if name in document}
    return Step(
        number=document["step"],
        stage=document["stage"],
        do=do,
        step_minutes=0.0,
        remaining_p50_min=0.0,
        remaining_p90_min=0.0,
        why="",
        **where,
    )


def _read(name: str, value: Any) -> Any:
    if name == "at":
        return read_place(value)
    if name == "joints":
        return tuple(read_joint(joint) for joint in value)
    return tuple(value) if isinstance(value, list) else value
