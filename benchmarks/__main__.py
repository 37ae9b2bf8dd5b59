"""``python -m benchmarks NAME [--part i/n] [--minutes 25] [--processes 2]``.

Runs what is not yet in ``benchmarks/results/NAME.jsonl``, at most so many minutes, and writes
the benchmark's section of ``docs/benchmarks.md`` anew. Run it again to go on.
"""

from __future__ import annotations

import argparse
import os

# One thread for each process, set before numpy loads its libraries: timings are of one core,
# and two processes do not fight over two.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

from benchmarks.catalogue import NAMES, benchmark_of  # noqa: E402 - after the threads are set
from benchmarks.report import write_section  # noqa: E402 - as above
from benchmarks.runner import Share, rows_of, run_benchmark  # noqa: E402 - as above


def main() -> None:
    """Read the command line, run, write the section."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("name", choices=NAMES)
    parser.add_argument("--part", type=_part, default=(1, 1), metavar="i/n")
    parser.add_argument("--minutes", type=float, default=25.0)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--limit", type=int, help="only the first so many cases")
    parser.add_argument(
        "--anew", action="store_true", help="run again what failed or other code has run"
    )
    words = parser.parse_args()
    benchmark = benchmark_of(words.name)
    part, parts = words.part
    share = Share(part=part, parts=parts, limit=words.limit, anew=words.anew)
    left = run_benchmark(benchmark, share, minutes=words.minutes, processes=words.processes)
    for name in (benchmark.name, *benchmark.also):
        other = benchmark_of(name)
        write_section(other, rows_of(other.rows_from))
    print(f"{benchmark.name}: {left} cases of this part are left" if left else "all done")


def _part(text: str) -> tuple[int, int]:
    try:
        part, parts = (int(number) for number in text.split("/"))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not i/n, such as 2/6") from None
    if not 1 <= part <= parts:
        raise argparse.ArgumentTypeError(f"{text!r}: expected 1 <= i <= n")
    return part, parts


if __name__ == "__main__":
    main()
