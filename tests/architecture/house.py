"""The tree as the architecture tests see it: which files belong to it, and their syntax trees."""

from __future__ import annotations

import ast
import shutil
import subprocess
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
APPS = ("core", "sites", "faults", "api")
PURE_PACKAGES = (
    "sites.network",
    "faults.tracing",
    "faults.rehearsal",
    "faults.recurrence",
    "faults.dispatch",
    "faults.restore",
    "faults.audit",
)

_NEVER_OURS = frozenset({".git", ".venv", ".hypothesis", "__pycache__"})


def _names_by_git() -> list[str]:
    if shutil.which("git") is None:
        return []
    listed = subprocess.run(
        ["git", "-C", str(ROOT), "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        capture_output=True,
        check=False,
    )
    return [name for name in listed.stdout.decode().split("\0") if name]


@cache
def own_files() -> tuple[Path, ...]:
    """Files that are, or would be, kept in the repository.

    Without git, or outside a checkout (an unpacked archive), every file but caches and the
    environment counts.
    """
    names = _names_by_git()
    if names:
        return tuple(sorted(ROOT / name for name in names if (ROOT / name).is_file()))
    return tuple(
        sorted(
            path
            for path in ROOT.rglob("*")
            if path.is_file()
            and not any(
                part in _NEVER_OURS or part.endswith("_cache")
                for part in path.relative_to(ROOT).parts
            )
        )
    )


def python_files(*folders: str) -> list[Path]:
    """Own Python files below the given folders of the root; none given: all."""
    return [
        path
        for path in own_files()
        if path.suffix == ".py" and (not folders or path.relative_to(ROOT).parts[0] in folders)
    ]


def files_of_package(package: str) -> list[Path]:
    """Own Python files of a dotted package."""
    folder = ROOT.joinpath(*package.split("."))
    return [path for path in python_files() if path.is_relative_to(folder)]


def syntax_tree(path: Path) -> ast.Module:
    """The parsed module at ``path``."""
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def shown(path: Path) -> str:
    """``path`` as it is written in messages: from the root."""
    return path.relative_to(ROOT).as_posix()
