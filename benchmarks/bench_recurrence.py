"""The benchmarks of the statistics of repeat failures, by name."""

from __future__ import annotations

from collections.abc import Iterator

from benchmarks import (
    bench_recurrence_flags,
    bench_recurrence_judged,
    bench_recurrence_limits,
    bench_recurrence_naive,
    bench_recurrence_scan,
    bench_recurrence_speed,
)
from benchmarks.runner import Benchmark


def _modules(*names: str) -> tuple[str, ...]:
    return tuple(f"faults/recurrence/{name}.py" for name in ("checked", *names))


def recurrence_benchmarks() -> Iterator[Benchmark]:
    """All of them; each names the modules it measures."""
    worlds = "benchmarks/recurrence_worlds.py"
    yield Benchmark(
        "recurrence-calibration",
        "Flags of repeat failures on invented worlds",
        bench_recurrence_flags.flag_keys,
        bench_recurrence_flags.flag_row,
        bench_recurrence_flags.flag_section,
        measured=(*_modules("peers", "flags", "weather"), worlds),
    )
    yield Benchmark(
        "recurrence-scan",
        "Trouble stretches on invented paths",
        bench_recurrence_scan.scan_keys,
        bench_recurrence_scan.scan_row,
        bench_recurrence_scan.scan_section,
        measured=(*_modules("peers", "flags", "scan", "stretches"), worlds),
    )
    yield Benchmark(
        "recurrence-judged",
        "Flags as the night's run makes them",
        bench_recurrence_judged.judged_keys,
        bench_recurrence_judged.judged_row,
        bench_recurrence_judged.judged_section,
        measured=(
            *_modules("peers", "flags", "weather", "scan", "stretches", "trouble"),
            worlds,
        ),
    )
    yield Benchmark(
        "recurrence-naive",
        "Against a number of failures in a year",
        bench_recurrence_naive.naive_keys,
        bench_recurrence_naive.naive_row,
        bench_recurrence_naive.naive_section,
        measured=(*_modules("peers", "flags"), worlds),
    )
    yield Benchmark(
        "recurrence-limits",
        "Limits on invented worlds",
        bench_recurrence_limits.limit_keys,
        bench_recurrence_limits.limit_row,
        bench_recurrence_limits.limit_section,
        measured=("faults/recurrence",),
    )
    yield Benchmark(
        "recurrence-speed",
        "A million units",
        bench_recurrence_speed.speed_keys,
        bench_recurrence_speed.speed_row,
        bench_recurrence_speed.speed_section,
        fresh_processes=True,
        measured=("faults/recurrence",),
    )
