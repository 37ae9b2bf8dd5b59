"""From the exported rows to units with what they were exposed to: for ``recompute``.

Written from docs/algorithms/recurrence.md; it shares no code with the product. Time is cut at
every moment at which anything changes, and each piece is looked at by itself.
"""

from __future__ import annotations

import bisect
import csv
import io
import json
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

Row = dict[str, str]
Place = tuple[str, str]
"""A word of the forms and a code."""

OFF, DRY, WET, STORM = range(-1, 3)
FAR = 1e9


def read(text: str) -> list[Row]:
    """Rows of a CSV."""
    return list(csv.DictReader(io.StringIO(text, newline="")))


def days(text: str) -> float:
    """A moment as days since 1970."""
    return datetime.fromisoformat(text).timestamp() / 86400.0


def midnight(day: str, zone: str, later: int = 0) -> float:
    """When a day begins somewhere, or one so many days later."""
    begins = datetime.combine(date.fromisoformat(day) + timedelta(days=later), time())
    return begins.replace(tzinfo=ZoneInfo(zone)).timestamp() / 86400.0


@dataclass
class Unit:
    """A place with all it came from. ``places``: of the newest map or what was left of it."""

    path: str
    kind: str
    places: frozenset[Place]
    alive: bool
    metres: float = 0.0
    exposed: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    failed: list[int] = field(default_factory=lambda: [0, 0, 0])


class Known:
    """The rows that were known at the moment of a run."""

    def __init__(self, tables: dict[str, str]) -> None:
        rows = {name: read(text) for name, text in tables.items()}
        self.run = rows["runs"][-1]
        self.at = days(self.run["as_of"])
        self.parameters = json.loads(self.run["parameters"])
        self.controllers = {row["id"]: row for row in rows["controllers"]}
        self.properties = {row["id"]: row for row in rows["properties"]}
        self.revisions: dict[str, list[float]] = defaultdict(list)
        for row in sorted(rows["revisions"], key=lambda row: int(row["number"])):
            if days(row["at"]) <= self.at:
                self.revisions[row["path_id"]].append(days(row["at"]))
        self.paths = [row for row in rows["paths"] if row["id"] in self.revisions]
        self.seasons = [
            row
            for row in rows["seasons"]
            if days(row["created_at"]) <= self.at
            and not (row["withdrawn_at"] and days(row["withdrawn_at"]) <= self.at)
        ]
        self.events = [
            row
            for row in rows["events"]
            if days(row["at"]) <= self.at and days(row["received_at"]) <= self.at
        ]
        self.lineage = [
            row
            for row in rows["lineage"]
            if int(row["revision"]) <= len(self.revisions[row["path_id"]])
        ]
        self.maps: dict[str, list[Row]] = defaultdict(list)
        for name, word in (("nodes", "splice"), ("segments", "segment"), ("devices", "device")):
            for row in rows[name]:
                known = int(row["from_revision"]) <= len(self.revisions[row["path_id"]])
                if known and not (word == "splice" and row["kind"] == "controller"):
                    self.maps[row["path_id"]].append({**row, "word": word})
        path_of = {row["id"]: row["path_id"] for row in rows["traces"]}
        self.failures: dict[str, list[tuple[float, Place]]] = defaultdict(list)
        for row in rows["findings"]:
            over = row["superseded_at"] and days(row["superseded_at"]) <= self.at
            if row["proved"] == "True" and days(row["made_at"]) <= self.at and not over:
                for word, code in json.loads(row["at"]).items():
                    if word in ("splice", "segment", "device"):
                        told = (days(row["made_at"]), (word, code))
                        self.failures[path_of[row["trace_id"]]].append(told)

    def last_revision(self, row: Row) -> int | None:
        """The first revision known without the row."""
        last = int(row["to_revision"]) if row["to_revision"] else None
        return last if last is not None and last <= len(self.revisions[row["path_id"]]) else None


class Calendar:
    """A path's time cut into pieces, each with what the ground was like."""

    def __init__(self, known: Known, path: Row) -> None:
        controller = known.controllers[path["controller_id"]]
        place = known.properties[controller["property_id"]]
        ground, zone = known.parameters["ground"], place["time_zone"]
        end = known.at
        if path["ended_at"] and days(path["ended_at"]) <= known.at:
            end = days(path["ended_at"])
        start = known.revisions[path["id"]][0]
        seasons = [
            (midnight(row["starts_on"], zone), midnight(row["ends_on"], zone, 1))
            for row in known.seasons
            if row["controller_id"] == controller["id"]
        ]
        wet, storm, switched = [], [], []
        for row in known.events:
            at = days(row["at"])
            if row["property_id"] != place["id"]:
                continue
            deep = not row["rain_mm"] or float(row["rain_mm"]) >= ground["wet_from_mm"]
            if row["kind"] == "rain" and deep:
                wet.append((at, at + ground["wet_days"]))
            elif row["kind"] == "lightning":
                storm.append((at, at + ground["storm_days"]))
            elif row["kind"] in ("off", "energised") and (
                row["path_id"] == path["id"]
                or (not row["path_id"] and row["controller_id"] in ("", controller["id"]))
            ):
                switched.append((at, row["kind"]))
        switched.sort(key=lambda one: one[0])
        cuts = {start, end, *(at for at, _ in switched)}
        cuts |= {side for span in (*seasons, *wet, *storm) for side in span}
        self.edges = sorted(cuts)
        self.states = []
        for edge in self.edges:
            in_season = not seasons or any(a <= edge < b for a, b in seasons)
            before = [kind for at, kind in switched if at <= edge]
            is_on = start <= edge < end and in_season and before[-1:] != ["off"]
            if not is_on:
                self.states.append(OFF)
            elif any(a <= edge < b for a, b in storm):
                self.states.append(STORM)
            else:
                self.states.append(WET if any(a <= edge < b for a, b in wet) else DRY)

    def spent(self, start: float, stop: float) -> list[float]:
        """Days in each state between two moments."""
        found = [0.0, 0.0, 0.0]
        for n, state in enumerate(self.states):
            until = self.edges[n + 1] if n + 1 < len(self.edges) else FAR
            much = min(stop, until) - max(start, self.edges[n])
            if state != OFF and much > 0:
                found[state] += much
        return found

    def state(self, at: float) -> int:
        """What the ground was like; dry where the path stood."""
        n = bisect.bisect_right(self.edges, at) - 1
        return max(self.states[n], DRY) if n >= 0 else DRY


class Family:
    """The places of one path, and what became of each."""

    def __init__(self, known: Known, path: str) -> None:
        self.rows = sorted(known.maps[path], key=lambda row: int(row["from_revision"]))
        word_of = {"node": "splice", "segment": "segment", "device": "device"}
        steps = [
            (int(row["revision"]), (word_of[row["kind"]], row["old_code"]), row["new_code"])
            for row in known.lineage
            if row["path_id"] == path
        ]
        cut = {(revision, old) for revision, old, _ in steps}
        self.since: dict[Place, list[int]] = defaultdict(list)
        for row in self.rows:
            place, first = (row["word"], row["code"]), int(row["from_revision"])
            if not self.since[place] or (first, place) in cut:
                self.since[place].append(first)
        self.became: dict[tuple[Place, int], list[tuple[tuple[Place, int], float]]] = {}
        for revision, old in sorted(cut):
            word, code = old
            codes = {new for at, one, new in steps if (at, one) == (revision, old)} | {code}
            sizes = {
                row["code"]: self.size(row)
                for row in self.rows
                if row["word"] == word
                and row["code"] in codes
                and int(row["from_revision"]) == revision
            }
            parent = self.at(old, revision - 1)
            children = [((word, one), revision) for one in sizes]
            if parent is not None and children:
                whole = sum(sizes.values())
                self.became[parent] = [
                    (child, sizes[child[0][1]] / whole) for child in children if child != parent
                ]

    @staticmethod
    def size(row: Row) -> float:
        """Metres of a cable, else 1."""
        return float(row["length_m"]) if row["word"] == "segment" else 1.0

    def at(self, place: Place, revision: int) -> tuple[Place, int] | None:
        """Which place had a code then: told by the revision in which it came to be."""
        firsts = self.since.get(place)
        if not firsts:
            return None
        return place, max([first for first in firsts if first <= revision] or firsts[:1])

    def ends(self, one: tuple[Place, int], share: float = 1.0) -> dict[tuple[Place, int], float]:
        """What a place is in the end, with shares."""
        if one not in self.became:
            return {one: share}
        found: dict[tuple[Place, int], float] = defaultdict(float)
        for child, part in self.became[one]:
            for end, much in self.ends(child, share * part).items():
                found[end] += much
        return found


End = tuple[Place, int]
"""A place that is left, with the revision in which it came to be."""


def units_of(known: Known, path: Row, calendar: Calendar) -> list[Unit]:
    """All units of a path."""
    family, begun = Family(known, path["id"]), known.revisions[path["id"]]
    happened = []
    for at, place in known.failures[path["id"]]:
        one = family.at(place, max(sum(moment <= at for moment in begun), 1))
        if one is not None:
            happened.append((at, list(family.ends(one))))
    unit_of = _units(known, path["id"], family, [ends for _, ends in happened])
    for row in family.rows:
        last = known.last_revision(row)
        start = begun[int(row["from_revision"]) - 1]
        spent = calendar.spent(start, known.at if last is None else begun[last - 1])
        one = family.at((row["word"], row["code"]), int(row["from_revision"]))
        assert one is not None
        for end, share in family.ends(one).items():
            unit = unit_of[end]
            for state in range(3):
                unit.exposed[state] += share * family.size(row) * spent[state]
            if last is None and row["word"] == "segment":
                unit.metres += share * family.size(row)
    for at, ends in happened:
        unit_of[ends[0]].failed[calendar.state(at)] += 1
    return list({id(unit): unit for unit in unit_of.values()}.values())


def _units(known: Known, path: str, family: Family, together: list[list[End]]) -> dict[End, Unit]:
    """The unit of each place that is left; the parts of what failed somewhere are one."""
    every = [(place, first) for place, firsts in family.since.items() for first in firsts]
    group = {end: {end} for one in every for end in family.ends(one)}
    for ends in together:
        joined = set().union(*(group[end] for end in ends))
        group |= dict.fromkeys(joined, joined)
    live = {(row["word"], row["code"]) for row in family.rows if known.last_revision(row) is None}
    unit_of: dict[End, Unit] = {}
    for end, members in group.items():
        if end not in unit_of:
            names = frozenset(place for place, _ in members)
            newest = {place for place, first in members if first == family.since[place][-1]}
            unit = Unit(path, end[0][0], names, bool(newest & live))
            unit_of |= dict.fromkeys(members, unit)
    return unit_of


def links_of(known: Known, path: str) -> list[tuple[Place, Place]]:
    """Cables and the splices that they touch, on the newest map."""
    return [
        (("segment", row["code"]), ("splice", row[end]))
        for row in known.maps[path]
        if row["word"] == "segment" and known.last_revision(row) is None
        for end in ("from_code", "to_code")
    ]


def left_out(units: list[Unit]) -> int:
    """Failures in a state that their unit never was in go where it mostly was; those of units
    that never were energised are left out, and counted here."""
    gone = 0
    for unit in units:
        most = max(range(3), key=lambda state: unit.exposed[state])
        moved = Counter({n: unit.failed[n] for n in range(3) if unit.exposed[n] <= 0})
        for state in moved:
            unit.failed[state] = 0
        if unit.exposed[most] > 0:
            unit.failed[most] += sum(moved.values())
        else:
            gone += sum(moved.values())
    return gone
