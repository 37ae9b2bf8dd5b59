"""Every way to part, rejoin and close on a small path, tried one by one.

Shares nothing with the search but the sites' design check: what is on is whatever current from
the controller can reach.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

from faults.restore.problem import RestoreProblem
from sites.network.design_check import design_figures
from sites.network.elements import WirePath

Spot = tuple[str, str]
"""A cable's end or a lead: (thing, node)."""
Triple = tuple[int, int, int]


class BruteForce:
    """The cheapest of all actions on a problem, by trying them."""

    def __init__(self, problem: RestoreProblem, *, limits: bool) -> None:
        self.path, self.limits = problem.path, limits
        self.root = problem.path.controller.id
        self.bad = {
            {"splice": "J", "segment": "C", "device": "D", "unmapped": "U"}[p.kind] + ":" + p.id
            for p in problem.must_be_off
        }
        reach = {
            n.id
            for n in self.path.nodes
            if n.id == self.root or (n.access in problem.reach and n.id not in problem.closed)
        }
        self.joined: set[Spot] = set()
        open_ends: list[Spot] = []
        for s in self.path.segments:
            for end, node in (("from", s.from_node), ("to", s.to_node)):
                spot = (f"C:{s.id}:{end}", node)
                if s.joint_open == end:
                    open_ends.append(spot)
                else:
                    self.joined.add(spot)
        self.joined |= {(f"D:{d.id}", d.node) for d in self.path.devices}
        self.joined |= {(name, name[2:]) for name in self.bad if name[0] == "U"}
        self.can_part = sorted(s for s in self.joined if s[1] in reach)
        self.can_close = [s for s in open_ends if s[1] in reach and f"J:{s[1]}" not in self.bad]
        self.can_rejoin = sorted(n[2:] for n in self.bad if n[0] == "J" and n[2:] in reach)
        self.near: dict[str, list[tuple[str, Spot, str]]] = {}
        edges = [(s, f"J:{s[1]}", "joined") for s in self.joined]
        edges += [(s, f"J:{s[1]}", "close") for s in self.can_close]
        edges += [(s, f"H:{s[1]}", "hub") for s in self.joined if s[1] in self.can_rejoin]
        for spot, joint, kind in edges:
            self.near.setdefault(_body(spot), []).append((joint, spot, kind))
            self.near.setdefault(joint, []).append((_body(spot), spot, kind))

    def best(self) -> Triple:
        """The least (stations dry, splices, millimetres off)."""
        floor = self.least_dry()
        free = [s for s in self.can_part if s[1] == self.root]
        costly = [("part", s) for s in self.can_part if s[1] != self.root]
        costly += [("close", s) for s in self.can_close if s[1] != self.root]
        costly += [("rejoin", (n, n)) for n in self.can_rejoin]
        free_close = [s for s in self.can_close if s[1] == self.root]
        best: Triple | None = None
        for size in range(len(costly) + 1):
            if best is not None and best[0] == floor and best[1] < size:
                break
            for chosen in combinations(costly, size):
                for parted in _subsets(free):
                    for closed in _subsets(free_close):
                        found = self._tried(chosen, parted, closed, best)
                        if found is not None and (best is None or found < best):
                            best = found
        if best is None:
            raise AssertionError("nothing is allowed, not even all legs off")
        return best

    def least_dry(self) -> int:
        """No choice has fewer stations dry: everything parted from the suspects costs nothing
        here, and limits do not count. With limits any number may be needed: 0."""
        if self.limits:
            return -1
        barred = set(self.bad)
        grown = True
        fixed = self.joined - set(self.can_part)
        while grown:
            grown = False
            for thing, node in fixed:
                pair = {thing[: thing.rfind(":")] if thing[0] == "C" else thing, f"J:{node}"}
                if pair & barred and not pair <= barred:
                    barred |= pair
                    grown = True
        spots = [s for s in (*self.joined, *self.can_close) if not barred & _points(s)]
        hubs = {
            s: f"H:{s[1]}"
            for s in self.joined
            if s[1] in self.can_rejoin and not _points(s) - {f"J:{s[1]}"} & barred
        }
        return self._dry(self._reach({s: f"J:{s[1]}" for s in spots} | hubs))

    def _tried(
        self,
        chosen: tuple[tuple[str, Spot], ...],
        parted: tuple[Spot, ...],
        closed: tuple[Spot, ...],
        best: Triple | None,
    ) -> Triple | None:
        off = {s for what, s in chosen if what == "part"} | set(parted)
        more = {s for what, s in chosen if what == "close"} | set(closed)
        hubs = {s[0] for what, s in chosen if what == "rejoin"}
        if self._leads_to_bad(off, more, hubs):
            return None
        at = {s: f"J:{s[1]}" for s in (self.joined - off) | more}
        # Past a splice that came out only what was parted there is joined.
        at |= {s: f"H:{s[1]}" for s in off if s[1] in hubs}
        on = self._reach(at)
        if any(_points(s) <= on for s in off):
            return None  # a sound connection between two things that stay on is not parted
        off_mm = sum(
            round(1000.0 * s.length_m) for s in self.path.segments if f"C:{s.id}" not in on
        )
        cost = (self._dry(on), len(chosen), off_mm)
        if best is not None and cost >= best:
            return None
        return cost if not self.limits or self._keeps(on, at) else None

    def _reach(self, at: dict[Spot, str]) -> set[str]:
        """What hangs on the controller with these spots at these joints."""
        near: dict[str, list[str]] = {}
        for spot, joint in at.items():
            body = _body(spot)
            near.setdefault(body, []).append(joint)
            near.setdefault(joint, []).append(body)
        seen, waiting = {f"J:{self.root}"}, [f"J:{self.root}"]
        while waiting:
            for other in near.get(waiting.pop(), ()):
                if other not in seen:
                    seen.add(other)
                    waiting.append(other)
        return seen

    def _leads_to_bad(self, off: set[Spot], more: set[Spot], hubs: set[str]) -> bool:
        """Whether the controller feeds what must be off: the quick look at most choices."""
        seen, waiting = {f"J:{self.root}"}, [f"J:{self.root}"]
        while waiting:
            for other, spot, kind in self.near.get(waiting.pop(), ()):
                if other in seen:
                    continue
                if kind == "joined":
                    active = spot not in off
                elif kind == "close":
                    active = spot in more
                else:
                    active = spot in off and spot[1] in hubs
                if active:
                    if other in self.bad:
                        return True
                    seen.add(other)
                    waiting.append(other)
        return False

    def _dry(self, on: set[str]) -> int:
        return sum(
            len(d.stations) or d.outputs or 1 for d in self.path.devices if f"D:{d.id}" not in on
        )

    def _keeps(self, on: set[str], at: dict[Spot, str]) -> bool:
        segments = []
        for s in self.path.segments:
            if f"C:{s.id}" not in on:
                continue
            ends = {
                e
                for e, n in (("from", s.from_node), ("to", s.to_node))
                if (f"C:{s.id}:{e}", n) in at
            }
            apart = {"from", "to"} - ends
            segments.append(replace(s, joint_open=min(apart) if apart else None))
        if not segments:
            return True
        devices = tuple(d for d in self.path.devices if f"D:{d.id}" in on)
        left: WirePath = replace(
            self.path, segments=tuple(segments), devices=devices, topology=None
        )
        return not design_figures(left).broken_limits


def _body(spot: Spot) -> str:
    thing = spot[0]
    return thing[: thing.rfind(":")] if thing[0] == "C" else thing


def _points(spot: Spot) -> set[str]:
    return {_body(spot), f"J:{spot[1]}"}


def _subsets(spots: list[Spot]) -> list[tuple[Spot, ...]]:
    return [chosen for size in range(len(spots) + 1) for chosen in combinations(spots, size)]
