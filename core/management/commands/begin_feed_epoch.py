"""``manage.py begin_feed_epoch``: what to run after a database was put back from a copy."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from core.changes.epochs import epochs_begin


class Command(BaseCommand):
    """End the cursors of all feeds."""

    help = "After a restore from a copy: end all cursors of the change feed, of every contractor."

    def add_arguments(self, parser: CommandParser) -> None:
        """Why."""
        parser.add_argument("--why", required=True, help="what was restored, in a few words")

    def handle(self, *_: Any, **options: Any) -> None:
        """Begin, and say how many feeds there are."""
        try:
            count = epochs_begin(options["why"])
        except ValueError as unfit:
            raise CommandError(f"--why: {unfit}") from unfit
        self.stdout.write(
            f"{count} feeds begin anew; their readers are told to read from the start."
        )
