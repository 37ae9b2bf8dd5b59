"""``manage.py statistics``: repeat failures told from chance, for each unit of a history."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from core.command_line import end_with_defects
from faults.forms.histories import read_histories
from faults.management.statistics_lines import assessment_lines
from faults.recurrence.assess import assess
from faults.recurrence.checked import RecurrenceError
from faults.recurrence.drawing import plot_svg
from faults.recurrence.plots import assessment_plots
from sites.forms.defects import FormDefects
from sites.forms.load import load_document


class Command(BaseCommand):
    """Prints rates, flags, trends, scans, call-backs, looks and renewals of a history."""

    help = (
        "Tell repeat failures from chance: for each place of a history its rate beside its peers, "
        "whether it is flagged, its trend, when to look again, and repair or renew; for each path "
        "its strongest stretch; for each crew its call-backs."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """The words of the command line."""
        parser.add_argument("file", type=Path, metavar="FILE")
        parser.add_argument(
            "--svg", type=Path, metavar="FOLDER", help="write the plots into this folder"
        )

    def handle(self, **options: Any) -> None:
        """Read, work out, print and, where asked, draw."""
        file: Path = options["file"]
        try:
            history, questions = read_histories(load_document(file))
        except FormDefects as form:
            end_with_defects(form.defects, self.stderr, str(file))
        try:
            found = assess(history, questions)
        except RecurrenceError as error:
            raise CommandError(f"{file}: {error}") from error
        for line in assessment_lines(history, questions, found):
            self.stdout.write(line)
        if options["svg"] is None:
            return
        folder: Path = options["svg"]
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for name, plot in assessment_plots(found, history.time_unit):
                (folder / f"{name}.svg").write_text(plot_svg(plot), encoding="utf-8")
        except OSError as error:
            raise CommandError(f"{folder} cannot be written: {error.strerror}") from error
