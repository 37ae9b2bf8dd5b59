"""Rules of the tree that a reader would otherwise have to watch: see DEVELOPERS.md."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from django.apps import apps

from tests.architecture.house import APPS, ROOT, own_files, python_files, shown, syntax_tree

# "About 350 lines" and "about 40" in the rules; past these it is no longer about.
MOST_LINES_OF_A_FILE = 380
MOST_LINES_OF_A_FUNCTION = 48

SAYS_NOTHING = frozenset({"util", "utils", "helper", "helpers", "misc", "common", "tools"})

# Written in parts so that this file does not hold what it looks for.
HOME_OF_ONE_MACHINE = re.compile(r"(?<![\w.~$}<-])/" + r"(?:work|tmp|root|home|Users|opt/py\w+)/\w")
REGISTRY_HOST = re.compile(r"\b(?:pypi|pythonhosted|npmjs|debian)" + r"\.(?:org|com|io)\b")


def test_the_tree_is_seen() -> None:
    """The other tests of this file would pass on an empty list."""
    seen = {shown(path) for path in own_files()}
    assert {"manage.py", "pyproject.toml", "sites/network/elements.py", "Makefile"} <= seen
    assert not any(name.startswith((".venv/", ".git/")) for name in seen)


@pytest.mark.parametrize("folder", [*APPS, "tests", "benchmarks"])
def test_files_stay_readable(folder: str) -> None:
    lengths = {
        shown(path): len(path.read_text(encoding="utf-8").splitlines())
        for path in python_files(folder)
    }
    long = {name: lines for name, lines in lengths.items() if lines > MOST_LINES_OF_A_FILE}
    assert not long, f"files over {MOST_LINES_OF_A_FILE} lines: {long}"


def lines_of(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function without its docstring, its decorators left out."""
    first = function.body[0]
    has_docstring = ast.get_docstring(function, clean=False) is not None
    docstring = (first.end_lineno or first.lineno) - first.lineno + 1 if has_docstring else 0
    return (function.end_lineno or function.lineno) - function.lineno + 1 - docstring


def test_functions_stay_readable() -> None:
    long = [
        f"{shown(path)}:{node.lineno} {node.name} has {lines_of(node)} lines"
        for path in python_files(*APPS)
        for node in ast.walk(syntax_tree(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and lines_of(node) > MOST_LINES_OF_A_FUNCTION
    ]
    assert not long, "\n".join(long)


def test_lines_of_a_function_leave_its_docstring_out() -> None:
    source = 'def f():\n    """One.\n\n    Two.\n    """\n    x = 1\n    return x\n'
    function = ast.parse(source).body[0]
    assert isinstance(function, ast.FunctionDef)
    assert lines_of(function) == 3


def test_modules_are_named_for_what_they_hold() -> None:
    named = [
        shown(path)
        for path in python_files()
        if SAYS_NOTHING & set(shown(path).removesuffix(".py").split("/"))
    ]
    assert not named, f"name these for what they hold: {named}"


def test_a_package_init_is_empty() -> None:
    """What a parent package imports is imported for every child: it would end purity unseen."""
    full = [
        shown(path)
        for path in python_files(*APPS, "tests")
        if path.name == "__init__.py"
        and path.read_text(encoding="utf-8").strip()
        # Django looks for tables in the package `models` of an app, and nothing pure is beneath.
        and path.parent.name != "models"
    ]
    assert not full, f"move what these hold into modules: {full}"


def test_the_environment_is_read_in_one_module() -> None:
    reading = re.compile(r"\b(?:os\.environ|getenv|environb)\b")
    found = {
        shown(path)
        for path in (*python_files(*APPS), ROOT / "manage.py")
        if reading.search(path.read_text(encoding="utf-8"))
    }
    assert found == {"core/environment.py"}


def test_the_app_sites_leaves_the_label_of_the_contributed_app_free() -> None:
    assert apps.get_app_config("clampline_sites").name == "sites"
    assert "sites" not in {config.label for config in apps.get_app_configs()}


def lines_matching(pattern: re.Pattern[str], path: Path) -> list[str]:
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        return []
    return [
        f"{shown(path)}:{number} {line.strip()[:80]}"
        for number, line in enumerate(text.splitlines(), start=1)
        if pattern.search(line)
    ]


@pytest.mark.parametrize("pattern", [HOME_OF_ONE_MACHINE, REGISTRY_HOST], ids=["path", "registry"])
def test_nothing_names_a_private_place(pattern: re.Pattern[str]) -> None:
    found = [hit for path in own_files() for hit in lines_matching(pattern, path)]
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    ("pattern", "line", "seen"),
    [
        (HOME_OF_ONE_MACHINE, "see /" + "home/someone/file", True),
        (HOME_OF_ONE_MACHINE, "open('/" + "tmp/x.json')", True),
        (HOME_OF_ONE_MACHINE, "docs/" + "work/plan.md", False),
        (REGISTRY_HOST, "--index-url https://" + "pypi" + ".org/simple", True),
        (REGISTRY_HOST, "the registry of Python packages", False),
    ],
)
def test_private_places_are_told_apart(pattern: re.Pattern[str], line: str, *, seen: bool) -> None:
    assert bool(pattern.search(line)) is seen


@pytest.mark.parametrize("name", ["requirements.txt", "requirements-dev.txt"])
def test_every_locked_package_has_a_hash(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    entries = re.split(r"\n(?=[a-z0-9])", text)
    locked = [entry for entry in entries if re.match(r"[a-z0-9._-]+==", entry)]
    assert len(locked) > 5
    without = [entry.split()[0] for entry in locked if "--hash=sha256:" not in entry]
    assert not without, f"no hash: {without}"


def test_the_lock_of_the_tests_holds_the_lock_of_the_product() -> None:
    def pins(name: str) -> set[str]:
        text = (ROOT / name).read_text(encoding="utf-8")
        return set(re.findall(r"^[a-z0-9._-]+==[^\s\\;]+", text, re.MULTILINE))

    product = pins("requirements.txt")
    assert product
    assert product <= pins("requirements-dev.txt")
