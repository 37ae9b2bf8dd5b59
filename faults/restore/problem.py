"""What partial restore starts from, and what comes of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from sites.network.design_check import DesignFigures
from sites.network.elements import Access, End, WirePath
from sites.network.faults import Place

ON_THE_PATH = ("device", "splice", "segment", "unmapped")
EVERYWHERE: frozenset[Access] = frozenset({"cabinet", "box", "buried"})


class CannotRestore(ValueError):
    """A problem that has no answer as it is put: what is wrong with it, in words."""


@dataclass(frozen=True, slots=True)
class Suspected:
    """A place that may be the fault, with its chance."""

    at: Place
    chance: float = 1.0


@dataclass(frozen=True, slots=True)
class RestoreProblem:
    """A path and the places that must be off.

    Conductors can be parted and joined at every node whose access is in ``reach`` and that is
    not in ``closed`` (the field cannot work there); at the controller's terminals always.
    """

    path: WirePath
    must_be_off: tuple[Place, ...]
    reach: frozenset[Access] = EVERYWHERE
    closed: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, order=True)
class Cost:
    """What a partial restore costs, in the order in which it is weighed: stations dry, splices
    made (parted and joined), millimetres of cable left off."""

    stations: int
    splices: int
    cable_mm: int


@dataclass(frozen=True, slots=True)
class RestoreAct:
    """One act, in order. ``power``: off before, on after. ``part``: a cable's end or a lead comes
    off its splice. ``rejoin``: what came off a splice is joined past it. ``close``: an open joint
    is joined. ``read``: what the controller and the farthest device then read."""

    do: Literal["power", "part", "rejoin", "close", "read"]
    node: str
    told: str
    wires: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PartialRestore:
    """The smallest part to leave off so that the rest waters.

    ``left_off`` are the places that get no power, ``devices_dry`` those of them that are devices;
    a station is in ``stations_lost`` when one of its devices is dry. ``rest`` is the path that is
    fed, ``figures`` its design check (None where nothing but the controller is left). ``parted``
    are (segment, end) and ``closed`` likewise; ``lifted`` device ids and unmapped nodes.
    ``exact`` False: limits had to be kept by taking devices off one by one, and a smaller part
    may do.
    """

    cost: Cost
    left_off: tuple[Place, ...]
    devices_dry: tuple[str, ...]
    stations_lost: tuple[int, ...]
    cable_off_m: float
    parted: tuple[tuple[str, End], ...]
    lifted: tuple[Place, ...]
    rejoined: tuple[str, ...]
    closed: tuple[tuple[str, End], ...]
    rest: WirePath
    figures: DesignFigures | None
    acts: tuple[RestoreAct, ...]
    exact: bool = True


def to_be_off(suspects: Iterable[Suspected], cover: float = 0.95) -> tuple[Place, ...]:
    """The likeliest places that together hold ``cover`` of the chance, at least one.

    Places that lie nowhere on the path (the controller, none, other) cannot be left off and are
    passed over. Raises CannotRestore where no place is left.
    """
    ranked = sorted(
        (one for one in suspects if one.at.kind in ON_THE_PATH), key=lambda one: -one.chance
    )
    if not ranked:
        raise CannotRestore("no suspect lies on the path: trace on before a part is left off")
    chosen: list[Place] = []
    held = 0.0
    for one in ranked:
        if chosen and held >= cover:
            break
        chosen.append(one.at)
        held += one.chance
    return tuple(chosen)
