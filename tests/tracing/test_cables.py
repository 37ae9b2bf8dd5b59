"""Cables in the box of a suspected splice: counted, looked for, and asked about until they are."""

from __future__ import annotations

from dataclasses import replace

import pytest

from faults.management.walkthrough import Walkthrough
from faults.tracing.observations import Clamp, Observation, Strike
from faults.tracing.step import Step, headline
from sites.network.faults import Place
from tests.tracing.drives import Drive, Tamper, short_at, tree_rehearsal, untouched
from tests.tracing.test_proof import N2, SHORT_N2, ended, is_proved, plain


class TestCables:
    def miscounted(self, by: int) -> Tamper:
        def miscount(step: Step, seen: Observation) -> Observation:
            if isinstance(seen, Clamp) and seen.node == "N2" and seen.cables_seen:
                return replace(seen, cables_seen=seen.cables_seen + by)
            return seen

        return miscount

    @pytest.mark.parametrize("by", [1, -1])
    def test_a_splice_with_another_count_than_the_maps_is_not_proved(self, by: int) -> None:
        verdict, _ = ended(SHORT_N2, tamper=self.miscounted(by))
        assert verdict.outcome == "unproved"
        assert verdict.reason

    def test_one_cable_too_many_is_looked_for_before_the_splice_is_touched(self) -> None:
        drive = Drive(tree_rehearsal(SHORT_N2), tamper=self.miscounted(1))
        step = drive.until(lambda s: s.do == "isolate" or (s.do == "clamp" and s.wire is None))
        assert (step.do, step.node, step.wire) == ("clamp", "N2", None)

    def test_a_splice_whose_cables_nobody_counted_is_not_proved(self) -> None:
        def uncounted(step: Step, seen: Observation) -> Observation:
            return replace(seen, cables_seen=None) if isinstance(seen, Clamp) else seen

        verdict, drive = ended(SHORT_N2, tamper=uncounted)
        assert verdict.outcome == "unproved"
        told, rest = headline(verdict.reason)
        assert told == "the cables at N2 were not counted twice alike as on the map"
        assert "count them" in rest
        last = list(Walkthrough(drive.session.problem.path).verdict_lines(verdict))
        assert last[-1].startswith(f"UNPROVED ({told}): splice N2")
        assert sum(told in line for line in last) == 1

    @pytest.mark.parametrize("taken_back", [1, 3])
    def test_answers_taken_back_free_the_limit_on_asking_for_a_count(self, taken_back: int) -> None:
        def uncounted(step: Step, seen: Observation) -> Observation:
            return replace(seen, cables_seen=None) if isinstance(seen, Clamp) else seen

        _, drive = ended(SHORT_N2, tamper=uncounted)
        for step in drive.steps[-taken_back:]:
            drive.tell(Strike(step=step.number))
        drive.tamper = untouched
        assert "count the cables" in drive.session.step.why
        verdict = drive.to_the_end()
        assert is_proved(verdict), verdict.reason

    def test_what_hangs_unmapped_at_a_splice_is_followed_first_and_the_splice_spared(self) -> None:
        stray = Place("unmapped", "N2")
        verdict, drive = plain(short_at("unmapped", "N2"))
        acts = [(s.do, s.at or s.wire) for s in drive.steps if s.do == "isolate" or s.node == "N2"]
        assert acts.index(("clamp", None)) < acts.index(("isolate", stray))
        assert ("isolate", N2) not in acts
        assert is_proved(verdict)
        assert [found.at for found in verdict.found if found.proved] == [stray]
