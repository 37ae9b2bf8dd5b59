"""A sound record narrows the draws' scale, in the fast and the exact posterior, and no more."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from faults.rehearsal.cases import make_case
from faults.rehearsal.field import Field
from faults.rehearsal.play import blind_problem, judged
from faults.rehearsal.records import Recording, recorded
from faults.rehearsal.rehearsal import Rehearsal
from faults.tracing.assumptions import Assumptions, RecordBeliefs
from faults.tracing.draws import DrawPrior, DrawScale, plain_priors
from faults.tracing.evidence import CurrentReading, Evidence
from faults.tracing.exact import Quadrature, exact_posterior
from faults.tracing.problem import SoundRecord, TraceProblem
from faults.tracing.reckoner import Reckoner
from faults.tracing.session import Session, begin
from faults.tracing.sound_record import ToldScale, record_age_years, told_by_record
from faults.tracing.soundness import SoundScales
from faults.tracing.step import Verdict
from faults.tracing.tree_view import build_tree_view
from sites.network.elements import WirePath
from sites.network.faults import Condition, Fault, Place
from sites.network.solve import solve
from tests.tracing.drives import COIL_OHM, short_at, tree_path, tree_rehearsal

PATH = tree_path()
BELIEFS = Assumptions()
TODAY, YESTERDAY = "2026-06-15", "2026-06-14"


def drawn(path: WirePath, scale: float) -> WirePath:
    devices = tuple(replace(d, draw_ma=d.draw_ma * scale) for d in path.devices)
    return replace(path, devices=devices)


def records_of(scale: float, *, coil: bool = False, far_v: bool = False) -> tuple[SoundRecord, ...]:
    """What both legs read where all devices draw ``scale`` times what the map says, by the
    solver of the sites."""
    solution = solve(drawn(PATH, scale), Condition(coil_ohm=COIL_OHM if coil else None))
    rows = []
    for leg, far in (("S1", "N3"), ("S7", "N7")):
        volts = abs(solution.voltage_v(far)) if far_v else None
        rows.append(
            SoundRecord(leg, round(solution.current_ma("N0", leg), 2), coil, volts, date=YESTERDAY)
        )
    return tuple(rows)


def told(
    records: tuple[SoundRecord, ...], beliefs: Assumptions = BELIEFS, **changes: object
) -> ToldScale | None:
    problem = TraceProblem(path=PATH, coil_ohm=COIL_OHM, sound_record=records, dated=TODAY)
    problem = replace(problem, **changes)
    return told_by_record(SoundScales(problem, build_tree_view(PATH)), beliefs)


class TestWhatARecordTells:
    @pytest.mark.parametrize("scale", [0.6, 1.0, 1.5])
    @pytest.mark.parametrize("coil", [False, True])
    def test_the_scale_of_the_draws(self, scale: float, coil: bool) -> None:
        said = told(records_of(scale, coil=coil))
        assert said is not None
        # A prior of 0.35 pulls a little towards the map.
        assert abs(said.mean - math.log(scale)) < 0.10
        assert 0.03 <= said.spread < 0.20

    def test_a_coil_that_nobody_knows_leaves_less(self) -> None:
        known = told(records_of(1.3, coil=True))
        unknown = told(records_of(1.3, coil=True), coil_ohm=None)
        assert known is not None
        assert unknown is not None
        assert known.spread <= unknown.spread < BELIEFS.draw_log_spread

    def test_age_widens_it_and_makes_it_likelier_to_be_wrong(self) -> None:
        rows = records_of(1.2)
        ages = ["2026-06-14", "2025-06-15", "2016-06-15"]
        said = [told(tuple(replace(row, date=date) for row in rows)) for date in ages]
        spreads = [one.spread for one in said if one is not None]
        wrong = [one.wrong for one in said if one is not None]
        assert len(spreads) == 3
        assert spreads == sorted(spreads)
        assert wrong[0] < wrong[1] < wrong[2] == BELIEFS.record.most_wrong

    def test_of_two_records_of_a_leg_the_newest_counts(self) -> None:
        new = records_of(0.8)
        old = tuple(replace(row, date="2019-01-01") for row in records_of(1.8))
        assert told(old + new) == told(new) == told(new + old)

    @pytest.mark.parametrize(
        "row",
        [
            SoundRecord("S1"),
            SoundRecord("S1", insulation_mohm=5.0, wet=True, date=YESTERDAY),
            SoundRecord("S1", current_ma=0.0, coil=False),
            SoundRecord("no such leg", current_ma=40.0),
        ],
    )
    def test_what_tells_nothing_tells_nothing(self, row: SoundRecord) -> None:
        assert told((row,)) is None

    def test_rows_that_contradict_one_another_are_not_believed(self) -> None:
        one, other = records_of(1.0)
        assert one.current_ma is not None
        assert told((replace(one, current_ma=30.0 * one.current_ma), other)) is None

    def test_a_scale_that_no_path_has_is_likelier_a_record_of_something_else(self) -> None:
        plain, far = told(records_of(1.0)), told(records_of(4.0))
        assert plain is not None
        assert far is not None
        assert far.wrong > 2.0 * plain.wrong

    def test_it_is_what_sampling_says(self) -> None:
        """The posterior of the scale by sampling gain, source, meter, draws and age."""
        rng = np.random.default_rng(8)
        beliefs = replace(BELIEFS, record=RecordBeliefs(wander=0.0, least=0.0))
        rows = records_of(1.3)
        said = told(rows, beliefs)
        logs = rng.normal(0.0, 0.35, 4000)
        log_weight = np.zeros(len(logs))
        read = np.array([row.current_ma for row in rows])
        # By leg: devices 1 to 6, and 7.
        legs = [PATH.devices[:-1], PATH.devices[-1:]]
        own = []
        for leg, ma in zip(legs, read, strict=True):
            draws = np.array([device.draw_ma for device in leg])
            share = 0.3**2 * float((draws**2).sum() / draws.sum() ** 2)
            own.append(share + (4.0 / 3.0 + 1.0 / 12.0 + 0.09) / ma**2 + 0.005**2)
        covariance = (0.01**2 / 3.0 + 0.015**2) * np.ones((2, 2)) + np.diag(own)
        inverse = np.linalg.inv(covariance)
        for k, log_scale in enumerate(logs):
            solution = solve(drawn(PATH, math.exp(log_scale)))
            off = np.log(read) - np.log([solution.current_ma("N0", leg) for leg in ("S1", "S7")])
            log_weight[k] = -0.5 * off @ inverse @ off
        weight = np.exp(log_weight - log_weight.max())
        mean = float(weight @ logs / weight.sum())
        spread = math.sqrt(float(weight @ (logs - mean) ** 2 / weight.sum()))
        assert said is not None
        assert said.mean == pytest.approx(mean, abs=0.01)
        assert said.spread == pytest.approx(spread, rel=0.1)


def test_years_between_dates() -> None:
    assert record_age_years("2025-06-15", "2026-06-15", 2.0) == pytest.approx(1.0, abs=0.01)
    assert record_age_years("2027-01-01", "2026-06-15", 2.0) == 0.0
    assert record_age_years(None, "2026-06-15", 2.0) == record_age_years("2025-01-01", None, 2.0)


def chances(session: Session) -> list[bytes]:
    return [session.posterior.chance.tobytes(), repr(session.posterior.apart).encode()]


def steps_and_chances(problem: TraceProblem, rehearsal: Rehearsal) -> list[object]:
    field, session, seen = Field(rehearsal), begin(problem), list[object]()
    while session.done is None:
        seen.append((session.step, chances(session)))
        session = session.observe(field.answer(session.step))
    return [*seen, session.done]


def test_without_a_record_nothing_changes_by_a_bit() -> None:
    """Weights of draw scales as before there were records, and a trace whose record says nothing
    equals one without."""
    scale = DrawScale(0.17, 0.25)
    x, w = np.polynomial.hermite_e.hermegauss(3)
    w = w / w.sum()
    off = (0.17 + 0.25 * x - 0.0) / 0.35
    before = w * (np.exp(0.5 * x**2 - 0.5 * off**2) * 0.25 / 0.35)
    weights = scale.faulted_weights(3, plain_priors(BELIEFS).faulted, BELIEFS.off_share)
    assert weights.tobytes() == np.append(before * (1.0 - 0.15), 0.15).tobytes()

    rehearsal = tree_rehearsal(short_at("device", "D5"))
    bare = blind_problem(rehearsal)
    says_nothing = replace(bare, sound_record=(SoundRecord("S1", wet=True),), dated=TODAY)
    assert steps_and_chances(says_nothing, rehearsal) == steps_and_chances(bare, rehearsal)


def test_a_mixed_prior_is_a_density() -> None:
    prior = DrawPrior(((0.8, 0.4, 0.1), (0.2, 0.0, 0.35)))
    logs = np.linspace(-4.0, 4.0, 8001)
    density = np.exp(prior.log_density(logs))
    assert float(density.sum() * (logs[1] - logs[0])) == pytest.approx(1.0, abs=1e-6)


class TestFastAndExact:
    QUADRATURE = Quadrature(resistances=60, scales=60, sound_scales=240)

    def readings(self, scale: float) -> Evidence:
        """A short of 3 ohms at N5, devices that draw ``scale`` times the map's."""
        fault = Fault("short", Place("splice", "N5"), resistance_ohm=3.0)
        solution = solve(drawn(PATH, scale), Condition(coil_ohm=COIL_OHM, faults=(fault,)))
        total = 1000.0 * abs(solution.controller_current_a)
        told = Evidence().with_reading(CurrentReading("reference", "N0", "", round(total), 5.0))
        for at, (node, wire) in enumerate((("N1", "S5"), ("N2", "S3")), start=2):
            ma = round(solution.current_ma(node, wire))
            told = told.with_reading(CurrentReading("segment", node, wire, ma, 5.0 * at))
        return told

    @pytest.mark.parametrize(("scale", "said"), [(1.0, 1.0), (1.4, 1.4), (1.0, 1.35), (1.4, 0.9)])
    def test_they_agree_where_the_record_is_right_and_where_it_is_wrong(
        self, scale: float, said: float
    ) -> None:
        problem = TraceProblem(
            path=PATH, coil_ohm=COIL_OHM, sound_record=records_of(said), dated=TODAY
        )
        reckoner = Reckoner(problem, build_tree_view(PATH))
        assert reckoner.draws.narrow
        evidence = self.readings(scale)
        fast = None
        for count in range(len(evidence.readings) + 1):
            so_far = replace(evidence, readings=evidence.readings[:count])
            fast = reckoner.reckon(so_far, fast)
        assert fast is not None
        exact = exact_posterior(reckoner, evidence, self.QUADRATURE)
        apart = float(np.abs(fast.chance - exact.chance).sum())
        apart += abs(fast.apart.sound - exact.apart.sound)
        assert 0.5 * apart < 0.02
        assert int(fast.chance.argmax()) == int(exact.chance.argmax())

    def test_the_exact_one_moves_with_the_record(self) -> None:
        evidence = replace(self.readings(1.4), readings=self.readings(1.4).readings[:1])
        bare = TraceProblem(path=PATH, coil_ohm=COIL_OHM, dated=TODAY)
        moved = []
        for problem in (bare, replace(bare, sound_record=records_of(1.4))):
            reckoner = Reckoner(problem, build_tree_view(PATH))
            moved.append(exact_posterior(reckoner, evidence, self.QUADRATURE).chance)
        # A little: which way the fault lies is told by wires against one another.
        assert 1e-4 < float(np.abs(moved[0] - moved[1]).sum()) < 0.1


def ending(rehearsal: Rehearsal) -> tuple[Verdict, bool]:
    field, session = Field(rehearsal), begin(blind_problem(rehearsal))
    while session.done is None:
        session = session.observe(field.answer(session.step))
    return session.done, judged(rehearsal, (), session.done, (0.0,)).wrongly_proved


WRONG_BY = (0.7, 1.3)


@pytest.mark.parametrize("off_by", WRONG_BY)
@pytest.mark.parametrize("index", [1, 7, 14, 18])
def test_a_record_that_is_30_percent_off_leads_to_no_wrong_proof(index: int, off_by: float) -> None:
    rehearsal = make_case("rehearsals", index).rehearsal
    wrong_record = recorded(rehearsal, Recording(days=400, coil=bool(index % 2), off_by=off_by))
    verdict, wrong = ending(wrong_record)
    assert not wrong
    assert verdict.outcome == "proved"


@pytest.mark.slow
@pytest.mark.parametrize("off_by", [1.0, *WRONG_BY])
@pytest.mark.parametrize("index", [0, 1, 2, 5, 18])
def test_heavy_paths_with_a_record_right_or_30_percent_off(index: int, off_by: float) -> None:
    rehearsal = make_case("heavy", index).rehearsal
    verdict, wrong = ending(recorded(rehearsal, Recording(days=400, far_v=True, off_by=off_by)))
    assert not wrong
    assert verdict.outcome == "proved"


@pytest.mark.parametrize("off_by", [1.0, *WRONG_BY])
@pytest.mark.parametrize("index", range(3))
def test_no_place_is_proved_on_a_sound_path_with_a_record(index: int, off_by: float) -> None:
    rehearsal = make_case("sound", index).rehearsal
    verdict, wrong = ending(recorded(rehearsal, Recording(days=200, off_by=off_by)))
    assert not wrong
    assert not any(found.proved for found in verdict.found)


def of_another_map(rehearsal: Rehearsal, days: int) -> Rehearsal:
    """The rehearsal with a record of the path before every third device was put in: a leg that
    grew since, and a record of an earlier map."""
    fewer = tuple(
        replace(device, draw_ma=0.0) if number % 3 == 0 else device
        for number, device in enumerate(rehearsal.ground.devices)
    )
    then = replace(rehearsal, actual=replace(rehearsal.ground, devices=fewer))
    old = recorded(then, Recording(days=days))
    return replace(rehearsal, sound_record=old.sound_record, dated=old.dated)


@pytest.mark.parametrize("days", [0, 1500])
@pytest.mark.parametrize("index", [2, 5, 9, 14])
def test_a_record_of_an_earlier_map_leads_to_no_wrong_proof(index: int, days: int) -> None:
    rehearsal = of_another_map(make_case("rehearsals", index).rehearsal, days)
    assert len(rehearsal.sound_record) > 0
    verdict, wrong = ending(rehearsal)
    assert not wrong
    assert verdict.outcome == "proved"
