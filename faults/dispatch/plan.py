"""A plan: who is where when, what is left out, and its figures."""

from __future__ import annotations

from dataclasses import dataclass, fields


@dataclass(frozen=True, slots=True)
class Stop:
    """One visit of a crew. ``drive_min``: the leg to it; ``finish_min``: by the planned minutes."""

    visit: str
    start_min: int
    finish_min: int
    drive_min: int
    started: bool = False
    locked: bool = False


@dataclass(frozen=True, slots=True)
class Rest:
    """One break of a crew."""

    start_min: int
    stop_min: int


@dataclass(frozen=True, slots=True)
class Route:
    """What one crew does in one of its shifts, from ``start_min`` at ``start_place`` until home.

    ``shift``: number of it within the crew's. A route without stops stays where it is.
    """

    crew: str
    shift: int
    start_place: str
    start_min: int
    stops: tuple[Stop, ...]
    rests: tuple[Rest, ...]
    back_min: int
    drive_min: int


@dataclass(frozen=True, slots=True)
class Figures:
    """What a plan comes to. Dry hours count until the work is done, or until the plan's end.

    ``cost`` is all of it in minutes of driving by the problem's weights, told moves included.
    """

    visits_planned: int
    visits_left_out: int
    promises_kept: int
    promises_broken: int
    dry_station_hours: float
    drive_min: int
    work_min: int
    wait_min: int
    crews_used: int
    visits_moved: int
    cost: float


@dataclass(frozen=True, slots=True)
class Plan:
    """Routes in order of crews and shifts, those without stops left out.

    ``method``: ``search``, ``greedy`` or ``every order``; ``left_out``: visits in no route.
    """

    routes: tuple[Route, ...]
    left_out: tuple[str, ...]
    figures: Figures
    method: str

    def places_of_visits(self) -> dict[str, tuple[Route, Stop]]:
        """The route and the stop of each planned visit."""
        return {stop.visit: (route, stop) for route in self.routes for stop in route.stops}


@dataclass(frozen=True, slots=True)
class Difference:
    """One figure before and after."""

    name: str
    before: float
    after: float

    @property
    def change(self) -> float:
        """After less before."""
        return self.after - self.before


def compare(before: Plan, after: Plan) -> tuple[Difference, ...]:
    """Two plans figure by figure, all of them, also those that are equal."""
    return tuple(
        Difference(
            figure.name,
            float(getattr(before.figures, figure.name)),
            float(getattr(after.figures, figure.name)),
        )
        for figure in fields(Figures)
    )
