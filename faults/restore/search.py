"""Choices of what is on, from the cheapest on: branch and bound over minimum cuts.

A cut that leaves something on without a way to the controller is mended in every way there is:
a point next to it goes on, an open joint is closed, a splice is rejoined past what is off. One of
these holds in every choice that feeds it, so none is missed. Choices that break a limit are
parted into those that differ from it in one thing and agree in the things before (Lawler).
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import count, islice

from faults.restore.cut import ONE_SPLICE, Cut, cheapest_cut
from faults.restore.points import Link, Point, Web
from faults.restore.problem import Cost

MOST_POINTS_IN_FULL = 150
"""On larger paths only joints to close and splices to rejoin are tried where a limit breaks."""


@dataclass(frozen=True, slots=True)
class Fixed:
    """What is settled: points on and off, joints closed or not, splices rejoined or not.

    ``keep`` are devices that stay on.
    """

    on: frozenset[Point]
    off: frozenset[Point]
    closes: frozenset[Link] = frozenset()
    not_closes: frozenset[Link] = frozenset()
    hubs: frozenset[str] = frozenset()
    not_hubs: frozenset[str] = frozenset()
    keep: frozenset[Point] = frozenset()


@dataclass(frozen=True, slots=True)
class Choice:
    """What is fed, and what it costs. ``fixed`` is what was settled for it."""

    cost: Cost
    on: frozenset[Point]
    fixed: Fixed


class Search:
    """Choices of one web in the order of their cost."""

    def __init__(self, web: Web) -> None:
        self.web = web
        self.universe = frozenset(web.fed(None, web.closes, web.hubs))
        self.devices = frozenset(p for p in self.universe if p[0] == "device")
        self.out_of_reach = sum(
            stations for point, stations in web.weight.items() if point not in self.universe
        )

    def best(self, holds: Callable[[Choice], bool], most_tried: int) -> Choice | None:
        """The cheapest choice that ``holds``; None after so many that do not."""
        return next((one for one in islice(self._in_order(), most_tried) if holds(one)), None)

    def cheapest(self) -> Choice | None:
        """The cheapest choice, limits aside."""
        return next(self._in_order(), None)

    def lifted(self, whole: Choice, dry: frozenset[Point]) -> Choice:
        """A choice with the leads of these devices lifted besides."""
        fixed = replace(whole.fixed, off=whole.fixed.off | dry)
        return self._fed_choice(fixed, whole.on - dry)

    def parted_better(self, lifted: Choice) -> Choice | None:
        """The same devices dry with fewer splices, by one cut; None where it leaves any unfed."""
        cut = self._cut(lifted.fixed)
        if cut is None or self._unfed(lifted.fixed, cut.on) is not None:
            return None
        return self._fed_choice(lifted.fixed, cut.on)

    def _in_order(self) -> Iterator[Choice]:
        ticket = count()
        first = Fixed(on=frozenset({self.web.root}), off=frozenset())
        heap: list[tuple[Cost, int, Fixed, Choice | None]] = [
            (self._floor(first), next(ticket), first, None)
        ]
        while heap:
            least, _, fixed, choice = heapq.heappop(heap)
            if choice is not None:
                yield choice
                for other in self._differing(choice):
                    heapq.heappush(heap, (self._floor(other), next(ticket), other, None))
                continue
            tied = self._with_tied_off(fixed)
            if tied is None:
                continue
            if tied != fixed:
                heapq.heappush(heap, (max(least, self._floor(tied)), next(ticket), tied, None))
                continue
            cut = self._cut(fixed)
            if cut is None:
                continue
            relaxed = max(least, self._cost(fixed, cut.cost))
            lost = self._unfed(fixed, cut.on)
            if lost is None:
                made = self._fed_choice(fixed, cut.on)
                heapq.heappush(heap, (max(relaxed, made.cost), next(ticket), fixed, made))
                continue
            for other in self._mended(fixed, lost):
                floor = max(relaxed, self._floor(other))
                heapq.heappush(heap, (floor, next(ticket), other, None))

    # -- one choice

    def _with_tied_off(self, fixed: Fixed) -> Fixed | None:
        """What cannot be parted from something off is off too; None where it must be on."""
        off, waiting = set(fixed.off), list(fixed.off)
        while waiting:
            here = waiting.pop()
            for link in self.web.links_at(here):
                other = self.web.beyond(link, here)
                if link.fixed and other not in off:
                    off.add(other)
                    waiting.append(other)
        if off & (fixed.on | fixed.keep):
            return None
        return replace(fixed, off=frozenset(off)) if len(off) > len(fixed.off) else fixed

    def _cut(self, fixed: Fixed) -> Cut | None:
        devices = self.devices - fixed.off
        joints = {
            link.joint
            for device in devices
            for link in self.web.links_at(device)
            if link.joint in self.universe and link.joint not in fixed.off
        }
        return cheapest_cut(self.web, self.universe, fixed.on | devices | joints, fixed.off)

    def _floor(self, fixed: Fixed) -> Cost:
        """The least that anything with this settled can cost."""
        return self._cost(fixed, 0)

    def _cost(self, fixed: Fixed, cut: int) -> Cost:
        dry = sum(self.web.weight.get(point, 0) for point in fixed.off)
        joins = sum(link.splices for link in fixed.closes) + len(fixed.hubs)
        return Cost(self.out_of_reach + dry, joins + cut // ONE_SPLICE, cut % ONE_SPLICE)

    def _unfed(self, fixed: Fixed, on: frozenset[Point]) -> frozenset[Point] | None:
        """What hangs together with something that must be on and is not fed; None where all is."""
        fed = self.web.fed(on, fixed.closes, fixed.hubs)
        wanted = ((self.devices - fixed.off) | fixed.on) - fed
        if not wanted:
            return None
        return frozenset(self.web.joined(min(wanted), on, fixed.closes, fixed.hubs))

    def _fed_choice(self, fixed: Fixed, on: frozenset[Point]) -> Choice:
        web = self.web
        fed = frozenset(web.fed(on, fixed.closes, fixed.hubs))
        parted = sum(
            link.splices for link in web.links if (link.thing in fed) != (link.joint in fed)
        )
        off_mm = sum(mm for cable, mm in web.length_mm.items() if cable not in fed)
        return Choice(self._cost(fixed, parted * ONE_SPLICE + off_mm), fed, fixed)

    # -- branching

    def _mended(self, fixed: Fixed, lost: frozenset[Point]) -> Iterator[Fixed]:
        """Every way to feed what is not fed, each without those before it; at last none."""
        web = self.web
        for point in sorted(self._next_to(lost)):
            if point not in fixed.off and point not in fixed.on:
                yield replace(fixed, on=fixed.on | {point})
                fixed = replace(fixed, off=fixed.off | {point})
        for link in web.closes:
            ends = {link.thing, link.joint}
            settled = link in fixed.closes or link in fixed.not_closes
            if not settled and ends & lost and ends <= self.universe and not ends & fixed.off:
                yield replace(fixed, closes=fixed.closes | {link}, on=fixed.on | ends)
                fixed = replace(fixed, not_closes=fixed.not_closes | {link})
        for node, things in web.hubs.items():
            settled = node in fixed.hubs or node in fixed.not_hubs
            if not settled and lost.intersection(things):
                yield replace(fixed, hubs=fixed.hubs | {node})
                fixed = replace(fixed, not_hubs=fixed.not_hubs | {node})
        # A splice rejoined already feeds what is off there once that goes on.
        for node in sorted(fixed.hubs):
            if lost.intersection(web.hubs[node]):
                for thing in web.hubs[node]:
                    if thing not in lost | fixed.off | fixed.on | self.devices:
                        yield replace(fixed, on=fixed.on | {thing})
                        fixed = replace(fixed, off=fixed.off | {thing})
        if not lost & (fixed.keep | fixed.on):
            yield replace(fixed, off=fixed.off | (lost & self.devices))

    def _next_to(self, lost: frozenset[Point]) -> set[Point]:
        """Points beside these that could be on."""
        found = {
            self.web.beyond(link, point) for point in lost for link in self.web.links_at(point)
        }
        return (found & self.universe) - lost

    def _differing(self, choice: Choice) -> Iterator[Fixed]:
        """What differs from a choice in one thing and agrees in the things before it."""
        fixed, web = choice.fixed, self.web
        for link in web.closes:
            ends = {link.thing, link.joint}
            if link in fixed.closes | fixed.not_closes or not ends <= self.universe - fixed.off:
                continue
            yield replace(fixed, closes=fixed.closes | {link}, on=fixed.on | ends)
            fixed = replace(fixed, not_closes=fixed.not_closes | {link})
        for node in web.hubs:
            if node not in fixed.hubs | fixed.not_hubs:
                yield replace(fixed, hubs=fixed.hubs | {node})
                fixed = replace(fixed, not_hubs=fixed.not_hubs | {node})
        if len(self.universe) > MOST_POINTS_IN_FULL:
            return
        for point in sorted(self.universe - self.devices - fixed.on - fixed.off):
            on = point in choice.on
            flipped, kept = ("off", "on") if on else ("on", "off")
            yield replace(fixed, **{flipped: getattr(fixed, flipped) | {point}})
            fixed = replace(fixed, **{kept: getattr(fixed, kept) | {point}})
        for device in sorted(self.devices - fixed.off - fixed.keep):
            yield replace(fixed, off=fixed.off | {device})
            fixed = replace(fixed, keep=fixed.keep | {device})
