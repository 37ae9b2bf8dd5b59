"""The product's commands in processes of their own."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Mapping

from benchmarks.runner import ROOT


def child(environment: Mapping[str, str], *words: str) -> str:
    """What a command says. Raises RuntimeError with the end of its complaints where it fails."""
    ran = subprocess.run(
        [sys.executable, *words],
        cwd=ROOT,
        env=dict(environment),
        capture_output=True,
        text=True,
        check=False,
    )
    if ran.returncode:
        raise RuntimeError(f"{' '.join(words)}: {ran.stderr[-3000:]}")
    return ran.stdout
