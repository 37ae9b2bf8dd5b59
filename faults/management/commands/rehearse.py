"""``manage.py rehearse``: whole traces of known faults, played against the truth."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from faults.forms.observation import observation_document
from faults.forms.rehearsal import read_rehearsal
from faults.forms.step import step_document, verdict_document
from faults.management.walkthrough import played_lines
from faults.rehearsal.drawing import rehearsal_svg
from faults.rehearsal.play import EndlessTrace, Played, play
from faults.rehearsal.rehearsal import Rehearsal
from sites.forms.defects import FormDefects, counted
from sites.forms.load import load_document
from sites.network.errors import NetworkError

METHODS = ("planner", "outward", "halving", "per-minute")
_COLUMNS = (
    ("file", "<28"),
    ("devices", ">7"),
    ("outcome", "<11"),
    ("located", "<7"),
    ("wrong", "<5"),
    ("steps", ">5"),
    ("search min", ">10"),
    ("minutes", ">8"),
    ("slowest ms", ">10"),
)


class Command(BaseCommand):
    """Plays rehearsals to their verdicts."""

    help = (
        "Play whole traces against the truth of rehearsal files. One file is told step by step; "
        "several, or a folder of *.json, give a table."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """The words of the command line."""
        parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
        parser.add_argument("--method", choices=METHODS, default="planner")
        parser.add_argument(
            "--json", action="store_true", help="one JSON document a line, the verdict last"
        )
        parser.add_argument(
            "--svg", type=Path, metavar="FILE", help="draw the path and the steps (one file only)"
        )

    def handle(self, **options: Any) -> None:
        """Play what was named."""
        files = _rehearsal_files(options["files"])
        method, as_json = options["method"], options["json"]
        if len(files) == 1:
            self._play_one(files[0], method, as_json=as_json, svg=options["svg"])
            return
        if options["svg"] is not None:
            raise CommandError("--svg draws one trace; name one file")
        if not as_json:
            self.stdout.write("  ".join(f"{name:{form}}" for name, form in _COLUMNS))
        for file in files:
            rehearsal = self._read(file)
            self._row(file, rehearsal, _played(file, rehearsal, method), as_json=as_json)

    def _play_one(self, file: Path, method: str, *, as_json: bool, svg: Path | None) -> None:
        rehearsal = self._read(file)
        played = _played(file, rehearsal, method)
        if as_json:
            for taken in played.steps:
                observation = observation_document(taken.observation)
                self._line({**step_document(taken.step), "observation": observation})
            self._line(last_line(played))
        else:
            for line in played_lines(rehearsal.survey, played):
                self.stdout.write(line)
        if svg is not None:
            try:
                svg.write_text(rehearsal_svg(rehearsal, played), encoding="utf-8")
            except OSError as error:
                raise CommandError(f"{svg} cannot be written: {error.strerror}") from error

    def _row(self, file: Path, rehearsal: Rehearsal, played: Played, *, as_json: bool) -> None:
        if as_json:
            judged = {"located": played.located, "wrongly_proved": played.wrongly_proved}
            self._line({"file": file.name, **last_line(played), **judged})
            return
        verdict = played.verdict
        search = verdict.search_minutes
        cells = (
            file.name[:28],
            len(rehearsal.survey.devices),
            verdict.outcome,
            "yes" if played.located else "no",
            "YES" if played.wrongly_proved else "no",
            verdict.observations,
            "never" if search is None else f"{search:.1f}",
            f"{verdict.minutes:.1f}",
            f"{max(played.suggestion_ms):.0f}",
        )
        told = zip(cells, _COLUMNS, strict=True)
        self.stdout.write("  ".join(f"{cell:{form}}" for cell, (_, form) in told))

    def _read(self, file: Path) -> Rehearsal:
        try:
            return read_rehearsal(load_document(file))
        except FormDefects as form:
            for defect in form.defects:
                where = defect.pointer or "(document)"
                self.stderr.write(f"{file}: {where}: {defect.what}; right: {defect.right}")
            count = counted(len(form.defects))
            raise CommandError(f"{file}: {count}, nothing played", returncode=2) from form

    def _line(self, document: dict[str, Any]) -> None:
        self.stdout.write(json.dumps(document, ensure_ascii=False, allow_nan=False))


def last_line(played: Played) -> dict[str, Any]:
    """The verdict's document, with the slowest suggestion of the trace."""
    slowest_ms = round(max(played.suggestion_ms), 2)
    return {**verdict_document(played.verdict), "suggestion_ms_max": slowest_ms}


def _played(file: Path, rehearsal: Rehearsal, method: str) -> Played:
    try:
        return play(rehearsal, method, clock_s=time.perf_counter)
    except (NetworkError, EndlessTrace) as error:
        raise CommandError(f"{file}: {error}") from error


def _rehearsal_files(named: list[Path]) -> list[Path]:
    """The files named, and those in the folders named, by name."""
    files: list[Path] = []
    for path in named:
        files += sorted(path.glob("*.json")) if path.is_dir() else [path]
    if not files:
        raise CommandError(f"no *.json in {', '.join(str(path) for path in named)}", returncode=2)
    return files
