"""``manage.py export_run_rows``: what a run over the history reads, to work flags out anew."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from core.problems import Problem
from core.tenancy.scope import contractor_scope, everywhere
from faults.selectors.run_rows import run_rows
from faults.selectors.trouble import run_get


class Command(BaseCommand):
    """Write the rows of a run's contractor as CSV."""

    help = (
        "Write all rows that runs over a contractor's history read, with the runs and flags, as "
        "CSV into a folder: what is needed to work flags out anew by other means."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Whose, and where to."""
        parser.add_argument("run", metavar="RUN", help="a run of the contractor, such as rrun_...")
        parser.add_argument("folder", type=Path, metavar="FOLDER")

    def handle(self, **options: Any) -> None:
        """Write a file for each table."""
        folder: Path = options["folder"]
        try:
            with everywhere(reason="the operator names a run of any contractor"):
                run = run_get(options["run"])
        except Problem as problem:
            raise CommandError(str(problem)) from problem
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with contractor_scope(run.contractor_id):
                for name, text in run_rows():
                    (folder / f"{name}.csv").write_text(text, encoding="utf-8", newline="")
        except OSError as error:
            raise CommandError(f"{folder} cannot be written: {error.strerror}") from error
        self.stdout.write(
            f"The rows that {run.public_id} of {run.as_of.isoformat()} read are in {folder}."
        )
