"""The pure packages run where no framework is installed, and reach for nothing outside."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator

import pytest

from tests.architecture.house import (
    APPS,
    PURE_PACKAGES,
    ROOT,
    files_of_package,
    shown,
    syntax_tree,
)

ALLOWED_LIBRARIES = frozenset({"numpy", "scipy", "networkx"})
# Beside those: a package's own library, a module's own part of the standard library.
ALLOWED_BESIDES = {
    "faults.dispatch": frozenset({"pyvrp"}),
    "faults.dispatch.shifts": frozenset({"datetime"}),  # dates and zones handed in; no clock read
}
STDLIB_REACHING_OUT = frozenset(
    "asyncio ctypes datetime email fcntl glob http importlib io logging mmap multiprocessing os "
    "pathlib pickle random select shelve shutil signal socket sqlite3 subprocess sys tempfile "
    "threading time urllib zoneinfo".split()
)
CALLS_REACHING_OUT = frozenset({"open", "print", "input", "exec", "eval", "__import__"})

# Run in a process of its own: imports every module of one package while the frameworks cannot
# be found, and prints what it imported.
PROBE = """
import importlib, pkgutil, sys

root, package = sys.argv[1:]
BARRED = {"django", "rest_framework", "celery", "jsonschema", "referencing"}


class Barrier:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in BARRED:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
        return None


sys.meta_path.insert(0, Barrier())
sys.path.insert(0, root)
top = importlib.import_module(package)
imported = [package]
for module in pkgutil.walk_packages(top.__path__, package + "."):
    importlib.import_module(module.name)
    imported.append(module.name)
assert not BARRED & {name.partition(".")[0] for name in sys.modules}
print("\\n".join(imported))
"""


def probe(package: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-I", "-c", PROBE, str(ROOT), package],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


@pytest.mark.slow
@pytest.mark.parametrize("package", PURE_PACKAGES)
def test_every_module_imports_without_a_framework(package: str) -> None:
    ran = probe(package)
    assert ran.returncode == 0, ran.stderr
    imported = set(ran.stdout.split())
    expected = {
        shown(path).removesuffix(".py").removesuffix("/__init__").replace("/", ".")
        for path in files_of_package(package)
    }
    assert imported == expected
    assert len(imported) > 1, f"{package} holds no module"


def test_the_probe_refuses_what_needs_a_framework() -> None:
    ran = probe("core")
    assert ran.returncode != 0
    assert "No module named 'django" in ran.stderr


def imported_roots(tree: ast.Module) -> Iterator[tuple[str, int]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            yield node.module or "", node.lineno


def refused_import(name: str, package: str, module: str = "") -> bool:
    root = name.partition(".")[0]
    if any(root in ALLOWED_BESIDES.get(one, ()) for one in (package, module)):
        return False
    if root in {"sites", "faults"}:
        allowed = {
            "sites.network": ("sites.network",),
            "faults.tracing": ("sites.network", "faults.tracing"),
            "faults.rehearsal": ("sites.network", "faults.tracing", "faults.rehearsal"),
            "faults.recurrence": ("sites.network", "faults.recurrence"),
            "faults.dispatch": ("faults.dispatch",),
            "faults.restore": ("sites.network", "faults.restore"),
            "faults.audit": ("sites.network", "faults.recurrence", "faults.audit"),
        }[package]
        return not any(name == pure or name.startswith(f"{pure}.") for pure in allowed)
    if root in ALLOWED_LIBRARIES:
        return False
    return root not in sys.stdlib_module_names or root in STDLIB_REACHING_OUT


@pytest.mark.parametrize("package", PURE_PACKAGES)
def test_imports_are_on_the_list(package: str) -> None:
    refused = [
        f"{shown(path)}:{line} imports {name}"
        for path in files_of_package(package)
        for name, line in imported_roots(syntax_tree(path))
        if refused_import(name, package, shown(path).removesuffix(".py").replace("/", "."))
    ]
    assert not refused, "\n".join(refused)


@pytest.mark.parametrize(
    ("name", "package", "refused"),
    [
        ("numpy.linalg", "sites.network", False),
        ("dataclasses", "sites.network", False),
        ("sites.network.elements", "faults.tracing", False),
        ("faults.tracing.problem", "sites.network", True),
        ("faults.rehearsal.field", "faults.tracing", True),
        ("sites.forms.survey", "faults.rehearsal", True),
        ("sites.network.drawing_text", "faults.recurrence", False),
        ("faults.tracing.problem", "faults.recurrence", True),
        ("sites.networking", "faults.tracing", True),
        ("django.db", "faults.tracing", True),
        ("jsonschema", "faults.tracing", True),
        ("time", "faults.rehearsal", True),
        ("random", "faults.rehearsal", True),
        ("pyvrp", "faults.dispatch", False),
        ("pyvrp", "faults.recurrence", True),
        ("datetime", "faults.dispatch", True),
        ("faults.tracing.problem", "faults.dispatch", True),
    ],
)
def test_the_list_refuses_what_it_should(name: str, package: str, *, refused: bool) -> None:
    assert refused_import(name, package) is refused


@pytest.mark.parametrize("package", PURE_PACKAGES)
def test_no_call_reaches_out(package: str) -> None:
    found = [
        f"{shown(path)}:{node.lineno} calls {node.func.id}"
        for path in files_of_package(package)
        for node in ast.walk(syntax_tree(path))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in CALLS_REACHING_OUT
    ]
    assert not found, "\n".join(found)


@pytest.mark.parametrize("package", PURE_PACKAGES)
def test_randomness_is_handed_in_with_a_seed(package: str) -> None:
    """``default_rng()`` without a seed and numpy's global generator are hidden state."""
    found = []
    for path in files_of_package(package):
        for node in ast.walk(syntax_tree(path)):
            if not isinstance(node, ast.Call):
                continue
            called = ast.unparse(node.func)
            seeded = bool(node.args or node.keywords)
            if called.endswith("default_rng") and not seeded:
                found.append(f"{shown(path)}:{node.lineno} makes a generator without a seed")
            elif called.startswith(("np.random.", "numpy.random.")) and called.rpartition(".")[
                2
            ] not in {"default_rng", "Generator", "SeedSequence", "PCG64"}:
                found.append(f"{shown(path)}:{node.lineno} calls {called}")
    assert not found, "\n".join(found)


def test_the_second_field_shares_no_code_with_the_engine() -> None:
    """It talks to the engine through documents and the session, and computes on its own."""
    shared = [
        f"{shown(path)}:{line} imports {name}"
        for path in files_of_package("tests.second_field")
        for name, line in imported_roots(syntax_tree(path))
        if name.partition(".")[0] in APPS
        and not name.startswith("faults.forms.")
        and name != "faults.tracing.session"
    ]
    assert files_of_package("tests.second_field")
    assert not shared, "\n".join(shared)
