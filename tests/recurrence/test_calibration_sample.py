"""A seeded sample of each benchmark: what the long runs show holds on a few worlds too."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks import (
    bench_recurrence_flags as flags,
)
from benchmarks import (
    bench_recurrence_limits as limits,
)
from benchmarks import (
    bench_recurrence_naive as naive,
)
from benchmarks import (
    bench_recurrence_scan as scan,
)
from benchmarks import (
    bench_recurrence_speed as speed,
)

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("level", list(flags.LEVELS))
def test_under_pure_chance_few_worlds_have_a_flag(level: str) -> None:
    """Sixty worlds: below q + 2 standard errors of a share of q, 5 % + 5.6 %."""
    keys = [key for key in flags.flag_keys() if key.startswith(("equal", "unequal"))][:60]
    shares = [flags.false_share(flags.flag_row(key)[level]) for key in keys]
    assert np.mean(shares) <= flags.Q + 2.0 * np.sqrt(flags.Q * (1.0 - flags.Q) / len(shares))


def test_trouble_is_found_and_few_sound_are_blamed() -> None:
    rows = [flags.flag_row(f"strong/{world:05d}") for world in range(8)]
    for level in flags.LEVELS:
        planted = sum(row[level]["planted"] for row in rows)
        assert sum(row[level]["true"] for row in rows) > 0.5 * planted
        assert np.mean([flags.false_share(row[level]) for row in rows]) < 0.15
    assert "| strong, splice |" in flags.flag_section(rows)


def test_scans_of_a_few_worlds() -> None:
    chance = [
        scan.scan_row(f"{kind}/{world:05d}") for kind in ("equal", "unequal") for world in range(6)
    ]
    assert sum(row["screened"]["flagged"] > 0 for row in chance) <= 2
    assert sum(row["all"]["flagged"] for row in chance) == 0
    bad = [scan.scan_row(f"stretch-20/{world:05d}") for world in range(4)]
    found = sum(row["all, deep"]["true"] for row in bad)
    assert found >= 0.3 * sum(row["planted"] for row in bad)
    assert "stretch-20, all, deep" in scan.scan_section(chance + bad)


def test_limits_of_a_few_batches() -> None:
    rows = [limits.limit_row(f"{batch:05d}") for batch in range(6)]

    def share(name: str) -> float:
        pairs = [row[name] for row in rows]
        return sum(pair[0] for pair in pairs) / sum(pair[1] for pair in pairs)

    assert share("Garwood 95 %") >= 0.95
    assert share("funnel 95 %") == pytest.approx(0.95, abs=0.01)
    assert share("power law β 95 %, 10 failures") == pytest.approx(0.95, abs=0.02)
    assert share("power law β 95 %, 3 failures") == pytest.approx(0.95, abs=0.02)
    assert share("empirical Bayes 95 %, 200 peers") == pytest.approx(0.95, abs=0.03)
    assert share("MIL-HDBK-189 p at most 5 %, 3 failures") == pytest.approx(0.05, abs=0.02)
    assert share("chance of failure 20 % at the next look") == pytest.approx(0.2, abs=0.05)
    assert "| Garwood 95 % |" in limits.limit_section(rows)


def test_peers_find_more_than_a_number_a_year_at_the_same_false_share() -> None:
    rows = [naive.naive_row(key) for key in naive.naive_keys()[:5]]
    for rule in ("m6", "m10"):
        ours = naive._equal(rows, rule)
        assert naive._false_share(rows, ours) <= naive._false_share(rows, rule)
        found = [np.mean(np.isfinite(naive._until(rows, one))) for one in (rule, ours)]
        assert found[1] > found[0]


def test_ten_thousand_units_take_a_moment() -> None:
    row = speed.speed_row("units/0010000")
    assert row["events"] > 40_000
    assert row["whole_s"] < 10.0
