"""Benchmarks go on where they stopped, keep failures, and write their own section only."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from benchmarks import bench_methods, bench_rehearsals, report, runner
from benchmarks.catalogue import NAMES, benchmark_of
from benchmarks.runner import Benchmark, Row, Share, row_or_error, rows_of, run_benchmark


def ten_keys() -> list[str]:
    return [f"{index:02d}" for index in range(10)]


def squared(key: str) -> Row:
    if key == "03":
        raise ArithmeticError("three is not squared today")
    return {"square": int(key) ** 2}


def told(rows: list[Row]) -> str:
    return f"{len(rows)} rows"


SQUARES = Benchmark("squares", "Squares", ten_keys, squared, told)


@pytest.fixture(autouse=True)
def results(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    monkeypatch.setattr(runner, "RESULTS", tmp_path / "results")
    monkeypatch.setattr(report, "DOCUMENT", tmp_path / "benchmarks.md")
    return tmp_path


def test_parts_make_up_the_whole() -> None:
    keys = ten_keys()
    parts = [Share(part=part, parts=3).of(keys) for part in (1, 2, 3)]
    assert sorted(key for part in parts for key in part) == keys
    assert Share(limit=4).of(keys) == keys[:4]


@pytest.mark.slow
def test_a_run_goes_on_where_it_stopped_and_keeps_failures() -> None:
    assert run_benchmark(SQUARES, Share(part=1, parts=2), minutes=1.0, processes=1) == 0
    assert [row["key"] for row in rows_of("squares")] == ["00", "02", "04", "06", "08"]
    # No time: nothing is begun, and five are told to be left.
    assert run_benchmark(SQUARES, Share(), minutes=0.0, processes=1) == 5
    assert run_benchmark(SQUARES, Share(), minutes=1.0, processes=1) == 0
    rows = rows_of("squares")
    assert [row["key"] for row in rows] == ten_keys()
    failed = [row for row in rows if "error" in row]
    assert [row["key"] for row in failed] == ["03"]
    assert "ArithmeticError: three is not squared today" in failed[0]["error"]
    assert [row["square"] for row in rows if "square" in row] == [0, 1, 4, 16, 25, 36, 49, 64, 81]


@pytest.mark.slow
def test_anew_runs_what_failed_or_other_code_made(results: Path) -> None:
    (results / "results").mkdir()
    current = runner.code_digest()
    lines = [{"key": "00", "code": "before", "square": -1}, {"key": "01", "code": current}]
    text = "".join(json.dumps(line) + "\n" for line in lines)
    (results / "results" / "squares.jsonl").write_text(text, encoding="utf-8")
    run_benchmark(SQUARES, Share(limit=2), minutes=1.0, processes=1)
    assert rows_of("squares")[0]["square"] == -1
    run_benchmark(SQUARES, Share(limit=2, anew=True), minutes=1.0, processes=1)
    assert rows_of("squares")[0]["square"] == 0
    assert "square" not in rows_of("squares")[1]


def test_a_section_is_replaced_and_the_others_stay(results: Path) -> None:
    report.write_section(SQUARES, [])
    other = Benchmark("cubes", "Cubes", ten_keys, squared, told)
    report.write_section(other, [row_or_error(squared, "02", "x")])
    report.write_section(SQUARES, [row_or_error(squared, key, "x") for key in ("02", "03")])
    text = (results / "benchmarks.md").read_text(encoding="utf-8")
    assert text.count("## Squares") == 1
    assert text.count("## Cubes") == 1
    assert "Not run yet." not in text
    assert "1 of 2 cases failed with an exception: 03 (ArithmeticError" in text


def test_every_benchmark_has_keys_of_its_own() -> None:
    assert {"solve", "rehearsals", "methods", "suggestions", "second-field", "posterior"} <= set(
        NAMES
    )
    for name in NAMES:
        keys = benchmark_of(name).keys()
        assert len(set(keys)) == len(keys)
    assert len(benchmark_of("rehearsals").keys()) == 3000
    assert len(benchmark_of("methods").keys()) == 1200


def test_a_failed_case_counts_as_not_located_and_not_proved() -> None:
    good = {
        "key": "rehearsals-00000",
        "shape": "straight",
        "n": 10,
        "kind": "device",
        "coil_known": True,
        "redrawn": 1,
        "located": True,
        "proved": True,
        "wrong": False,
        "outcome": "proved",
        "search": 12.0,
        "ms_max": 20.0,
    }
    bad = {"key": "rehearsals-00001", "error": "ValueError: it broke"}
    line = bench_rehearsals.located_section([good, bad]).splitlines()[2]
    assert line.startswith("| all | 2 | 50.00 % |")
    assert line.endswith("| 50.00 % |")


def test_calibration_by_hand() -> None:
    """Ten beliefs of 0.95, nine right: off by 0.05; ten of 0.55, five right: off by 0.05."""
    calls = [[0.9, 0.95, float(i < 9)] for i in range(10)]
    calls += [[0.5, 0.55, float(i < 5)] for i in range(10)]
    text = bench_rehearsals.calibration_section([{"key": "a", "calls": calls}])
    assert "Expected calibration error: 0.0500" in text
    assert "20 beliefs of 1 traces" in text


def test_ratios_are_paired_by_hand() -> None:
    def traced(search: float | None) -> Row:
        return {"search": search, "outcome": "proved", "located": True, "wrong": False}

    rows = [
        {
            "key": f"rehearsals-{index}",
            "family": "rehearsals",
            "shape": "bushy",
            "n": 20,
            "by": {m: traced(s) for m, s in zip(bench_methods.METHODS, searches, strict=True)},
        }
        for index, searches in enumerate([(10.0, 20.0, 10.0, None), (30.0, 40.0, 30.0, 30.0)])
    ]
    lines = bench_methods.methods_section(rows).splitlines()
    outward = next(line for line in lines if line.startswith("| rehearsals, all | outward"))
    # 0.5 and 0.75: mean 0.625; sums 40 / 60.
    assert "| 2 | 0.625 |" in outward
    assert outward.endswith("| 0.667 |")
    per_minute = next(line for line in lines if line.startswith("| rehearsals, all | per-minute"))
    assert "| 1 | 1.000 |" in per_minute
