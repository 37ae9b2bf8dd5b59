"""All benchmarks by name."""

from __future__ import annotations

import importlib
from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

from benchmarks import (
    bench_dispatch,
    bench_load,
    bench_methods,
    bench_priors,
    bench_record_limit,
    bench_recurrence,
    bench_recurrence_looks,
    bench_recurrence_nightly,
    bench_rehearsals,
    bench_repair_month,
    bench_restore,
    bench_sound_record,
    bench_suggestions,
)
from benchmarks.limits import at_least, at_most
from benchmarks.report import percent, table
from benchmarks.runner import Benchmark, Row

SECOND_FIELD_CASES = 1000
CASES_OF_A_SUITE = 100
# Those against sampling come first: they are few and short; those of the dense solver last.
POSTERIOR_CASES = (*range(200, 220), *(i for i in range(200) if i % 40), *range(0, 200, 40))
SOUND_RECORD_CASES = 90
SUITES = (
    "near-trip",
    "comes-and-goes",
    "unmapped-at-splice",
    "wrong-wire-while-proving",
    "cut-instead-of-isolated",
)


def _numbered(count: int) -> list[str]:
    return [f"{index:05d}" for index in range(count)]


def _no_keys() -> list[str]:
    return []


def _suite_keys() -> list[str]:
    return [f"{suite}/{index:05d}" for index in range(CASES_OF_A_SUITE) for suite in SUITES]


def _module_row(module: str, function: str, key: str) -> Row:
    """A row of a benchmark that takes a case's index."""
    run: Callable[[int], Row] = getattr(importlib.import_module(module), function)
    return run(int(key))


def _suite_row(key: str) -> Row:
    suite, _, index = key.rpartition("/")
    run = importlib.import_module("benchmarks.bench_second_field").run_adversarial_case
    row: Row = run(suite, int(index))
    return row


def _solve_row(key: str) -> Row:
    """All of the solver's timings in one go: they belong to one run of one machine."""
    rows = importlib.import_module("benchmarks.bench_solve").run()
    return {"run": key, "rows": list(rows)}


def _calibration_has_no_row(key: str) -> Row:
    raise RuntimeError(f"calibration is made of the rows of rehearsals; there is no case {key}")


def _solve_section(rows: list[Row]) -> str:
    """Whatever columns the solver's benchmark has."""
    made = [row for outer in rows for row in outer.get("rows", ())]
    columns = list(dict.fromkeys(name for row in made for name in row))
    if not made:
        return "No rows."
    return table(columns, [[_cell(row.get(name)) for name in columns] for row in made])


def _proof_section(rows: list[Row]) -> str:
    """Located, proved and wrongly proved by suite."""
    body = []
    for suite, group in _by_suite(rows):
        n = len(group)
        located, proved, wrong = (
            sum(bool(row.get(name)) for row in group)
            for name in ("located", "proved", "wrongly_proved")
        )
        endings = Counter(row.get("outcome", "error") for row in group)
        told = ", ".join(f"{k} {v}" for k, v in sorted(endings.items()))
        shares = (percent(located / n), percent(proved / n), percent(at_least(proved, n)))
        body.append((suite, n, *shares, wrong, percent(at_most(wrong, n)), told))
    head = ("suite", "n", "located", "proved", "at least", "wrongly proved", "at most", "endings")
    coils = sum(not row.get("coil_known", True) for row in rows)
    told = f"The coil warms; the engine does not know its impedance in {coils} of {len(rows)} rows."
    return f"{told}\n\n{table(head, body)}"


def _by_suite(rows: list[Row]) -> Iterator[tuple[str, list[Row]]]:
    # A case that failed has no suite in its row; its key has.
    def suite_of(row: Row) -> str:
        return str(row["key"]).rpartition("/")[0] or "nominal"

    for suite in sorted({suite_of(row) for row in rows}):
        yield suite, [row for row in rows if suite_of(row) == suite]


def _posterior_keys() -> list[str]:
    return [f"{index:05d}" for index in POSTERIOR_CASES]


def _posterior_section(name: str, rows: list[Row]) -> str:
    """Of a module that loads the tests' solver, so loaded when it is wanted."""
    told: str = getattr(importlib.import_module("benchmarks.bench_posterior"), name)(rows)
    return told


def _cell(value: Any) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _all() -> Iterator[Benchmark]:
    yield Benchmark(
        "solve",
        "Solving a path",
        partial(_numbered, 1),
        _solve_row,
        _solve_section,
        fresh_processes=True,
    )
    yield Benchmark(
        "rehearsals",
        "Rehearsals",
        partial(bench_rehearsals.keys_of, "rehearsals", 3000),
        bench_rehearsals.row_of,
        bench_rehearsals.located_section,
        also=("calibration",),
    )
    for family, title in (
        ("sound", "Sound paths"),
        ("overload", "Sound paths that draw too much"),
        ("controller", "Controller faults"),
    ):
        yield Benchmark(
            family,
            title,
            partial(bench_rehearsals.keys_of, family, 300),  # type: ignore[arg-type]
            bench_rehearsals.row_of,
            bench_rehearsals.ending_section,
        )
    yield Benchmark(
        "heavy",
        "Paths where sound devices draw over half of the reading",
        partial(bench_rehearsals.keys_of, "heavy", 150),
        bench_rehearsals.row_of,
        bench_rehearsals.heavy_section,
    )
    yield Benchmark(
        "sound-record",
        "Starting from a sound record",
        partial(_numbered, SOUND_RECORD_CASES),
        bench_sound_record.row_of,
        bench_sound_record.sound_record_section,
    )
    yield bench_record_limit.record_limit_benchmark()
    yield bench_priors.priors_benchmark()
    yield Benchmark(
        "partial-restore",
        "The smallest part to leave off",
        bench_restore.restore_keys,
        bench_restore.restore_row,
        bench_restore.restore_section,
        fresh_processes=True,
        measured=bench_restore.MEASURED,
    )
    yield Benchmark(
        "methods",
        "Methods against each other",
        bench_methods.method_keys,
        bench_methods.method_row,
        bench_methods.methods_section,
    )
    yield Benchmark(
        "suggestions",
        "Time and memory of suggestions",
        bench_suggestions.suggestion_keys,
        bench_suggestions.suggestion_row,
        bench_suggestions.suggestions_section,
        fresh_processes=True,
    )
    yield from _others()


def _others() -> Iterator[Benchmark]:
    second_field = "benchmarks.bench_second_field"
    yield Benchmark(
        "second-field",
        "The second field",
        partial(_numbered, SECOND_FIELD_CASES),
        partial(_module_row, second_field, "run_case"),
        _proof_section,
    )
    yield Benchmark(
        "adversarial",
        "Adversarial suites on the second field",
        _suite_keys,
        _suite_row,
        _proof_section,
    )
    yield Benchmark(
        "calibration",
        "Calibration of the chances",
        _no_keys,
        _calibration_has_no_row,
        bench_rehearsals.calibration_section,
        rows_from="rehearsals",
    )
    yield Benchmark(
        "posterior-dense",
        "The exact posterior against an independent dense solver",
        partial(_numbered, 200),
        partial(_module_row, "benchmarks.bench_posterior", "run_dense"),
        partial(_posterior_section, "dense_section"),
    )
    yield Benchmark(
        "posterior",
        "The posterior against independent solvers",
        _posterior_keys,
        partial(_module_row, "benchmarks.bench_posterior", "run_case"),
        partial(_posterior_section, "posterior_section"),
    )
    yield from bench_recurrence.recurrence_benchmarks()
    yield Benchmark(
        "recurrence-nightly",
        "The night's run over a million segments",
        bench_recurrence_nightly.nightly_keys,
        bench_recurrence_nightly.nightly_row,
        bench_recurrence_nightly.nightly_section,
        fresh_processes=True,
        measured=bench_recurrence_nightly.MEASURED,
    )
    yield Benchmark(
        "recurrence-looks",
        "Five years of looks through rows",
        bench_recurrence_looks.looks_keys,
        bench_recurrence_looks.looks_row,
        bench_recurrence_looks.looks_section,
        fresh_processes=True,
        measured=bench_recurrence_looks.MEASURED,
    )
    yield from bench_repair_month.month_benchmarks()
    yield from bench_load.load_benchmarks()
    yield from bench_dispatch.dispatch_benchmarks()


_BY_NAME = {benchmark.name: benchmark for benchmark in _all()}
NAMES = tuple(_BY_NAME)


def benchmark_of(name: str) -> Benchmark:
    """The benchmark of a name in ``NAMES``."""
    return _BY_NAME[name]
