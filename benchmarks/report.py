"""Writes the sections of ``docs/benchmarks.md``, each between its own marks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from benchmarks.runner import ROOT, Benchmark, Row, code_digest

DOCUMENT = ROOT / "docs" / "benchmarks.md"
HEAD = """# Benchmarks

`python -m benchmarks NAME` (or `make bench-NAME`) runs what is not yet in
`benchmarks/results/NAME.jsonl` for at most 25 minutes on two processes, and writes the section
anew; run it again to go on, `--part 2/6` runs one part of it. A case that fails with an
exception counts as not located and not proved. Limits are 95 %: one-sided by Clopper and
Pearson for shares, by Student's t for means of paired ratios. Sections are written by the run;
edit the program.
"""


def write_section(benchmark: Benchmark, rows: list[Row]) -> None:
    """Put a benchmark's section into the document, in the place it has or at the end."""
    begin, end = f"<!-- begin {benchmark.name} -->", f"<!-- end {benchmark.name} -->"
    body = f"{begin}\n## {benchmark.title}\n\n{_text(benchmark, rows)}\n{end}\n"
    old = DOCUMENT.read_text(encoding="utf-8") if DOCUMENT.exists() else HEAD
    if begin in old and end in old:
        before, rest = old.split(begin, 1)
        after = rest.split(end, 1)[1].removeprefix("\n")
        new = before + body + after
    else:
        new = old.rstrip("\n") + "\n\n" + body
    DOCUMENT.write_text(new, encoding="utf-8")


def _text(benchmark: Benchmark, rows: list[Row]) -> str:
    if not rows:
        return "Not run yet."
    earlier = sum(row.get("code") != code_digest(benchmark.measured) for row in rows)
    errors = [row for row in rows if "error" in row]
    parts = [benchmark.section(rows)]
    if errors:
        told = ", ".join(f"{row['key']} ({row['error'][:160]})" for row in errors[:5])
        parts.append(f"{len(errors)} of {len(rows)} cases failed with an exception: {told}.")
    if earlier:
        parts.append(
            f"{earlier} of {len(rows)} rows are of an earlier state of the code that is measured; "
            "`--anew` runs them again."
        )
    return "\n\n".join(parts)


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A table of cells."""
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    lines += ["| " + " | ".join(str(cell) for cell in row) + " |" for row in rows]
    return "\n".join(lines)


def percent(share: float, digits: int = 2) -> str:
    """A share in percent."""
    return f"{100.0 * share:.{digits}f} %"
