"""Two plans held side by side, of whatever problems."""

from __future__ import annotations

from dataclasses import dataclass

from faults.dispatch.plan import Difference, Plan, Route, Stop, compare
from faults.dispatch.replan import Change, ChangeKind


@dataclass(frozen=True, slots=True)
class Compared:
    """What two plans differ in: visits, how many they have alike, and all figures."""

    others: tuple[Change, ...]
    alike: int
    figures: tuple[Difference, ...]


def compared(before: Plan, after: Plan) -> Compared:
    """Visits by crew and start, to the minute; those planned in one of the two alone are told as
    left out by the other where it knew them, else as gone or added; why is not told. O(visits)."""
    old, new = before.places_of_visits(), after.places_of_visits()
    names = sorted(old.keys() | new.keys())
    found = [
        _other(name, old.get(name), new.get(name), frozenset(after.left_out)) for name in names
    ]
    others = tuple(one for one in found if one is not None)
    return Compared(others, len(names) - len(others), compare(before, after))


def _other(
    name: str,
    old: tuple[Route, Stop] | None,
    new: tuple[Route, Stop] | None,
    left_out: frozenset[str],
) -> Change | None:
    if old is None:
        kind = ChangeKind.ADDED
    elif new is None:
        kind = ChangeKind.LEFT_OUT if name in left_out else ChangeKind.GONE
    elif old[0].crew != new[0].crew:
        kind = ChangeKind.OTHER_CREW
    elif old[1].start_min == new[1].start_min:
        return None
    else:
        later = new[1].start_min > old[1].start_min
        kind = ChangeKind.LATER if later else ChangeKind.EARLIER
    return Change(
        name,
        kind,
        old[0].crew if old else None,
        old[1].start_min if old else None,
        new[0].crew if new else None,
        new[1].start_min if new else None,
        why="",
    )
