"""``manage.py follow``: a trace over standard input and output, one JSON document a line."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any, TextIO

from django.core.management.base import BaseCommand, CommandError, CommandParser

from faults.forms.observation import read_observation
from faults.forms.step import step_document, verdict_document
from faults.forms.trace import read_trace
from faults.management.commands.rehearse import METHODS
from faults.tracing.problem import TraceProblem
from faults.tracing.session import Refused, Session, begin
from sites.forms.defects import FormDefects, counted
from sites.forms.load import load_document

MOST_LINE_CHARACTERS = 1_000_000
"""An observation is some hundred characters; a line past this is read off and refused."""


class Command(BaseCommand):
    """Prints the next step, reads one observation, prints the next, until done."""

    help = (
        "Follow a trace (or survey, or rehearsal without its truth): steps go to standard output, "
        "observations come from standard input, one JSON document a line, until stage is done."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """The words of the command line."""
        parser.add_argument("file", type=Path, metavar="FILE")
        parser.add_argument("--method", choices=METHODS, default="planner")

    def handle(self, **options: Any) -> None:
        """Run the trace until its verdict, or until the input ends."""
        session = begin(self._read(options["file"]), options["method"])
        self._say(session)
        while session.done is None:
            line = _next_line(sys.stdin)
            if line is None:
                raise CommandError("the input ended before the trace was done", returncode=3)
            if line.strip():
                session = self._heard(session, line)
                self._say(session)

    def _heard(self, session: Session, line: str) -> Session:
        """The session after a line; as it was, with the problem told, where it cannot be taken."""
        try:
            return session.observe(read_observation(load_document(line)))
        except FormDefects as form:
            first, *others = form.defects
            more = f" (and {len(others)} more)" if others else ""
            problem = f"{first.what}; right would be: {first.right}{more}"
            self._write({"problem": problem, "pointer": first.pointer})
        except Refused as refused:
            self._write({"problem": refused.problem, "pointer": refused.pointer})
        return session

    def _say(self, session: Session) -> None:
        done = session.done
        self._write(verdict_document(done) if done is not None else step_document(session.step))

    def _write(self, document: dict[str, Any]) -> None:
        self.stdout.write(json.dumps(document, ensure_ascii=False, allow_nan=False))
        # Another process waits for this line before it answers.
        self.stdout.flush()

    def _read(self, file: Path) -> TraceProblem:
        try:
            return read_trace(load_document(file))
        except FormDefects as form:
            for defect in form.defects:
                where = defect.pointer or "(document)"
                self.stderr.write(f"{file}: {where}: {defect.what}; right: {defect.right}")
            count = counted(len(form.defects))
            raise CommandError(f"{file}: {count}", returncode=2) from form


def _next_line(lines: TextIO) -> str | None:
    """One line, or None at the end of the input; a line far too long is cut, so it is refused."""
    line = lines.readline(MOST_LINE_CHARACTERS)
    if not line:
        return None
    rest = line
    while rest and not rest.endswith("\n"):
        rest = lines.readline(MOST_LINE_CHARACTERS)
    return line
