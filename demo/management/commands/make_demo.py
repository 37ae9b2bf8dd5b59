"""``manage.py make_demo``: an invented contractor with two years of work, to look around in."""

from __future__ import annotations

import time
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from core.problems import Conflict
from demo.make import DemoCounts, demo_counts, demo_make
from demo.people import PASSWORD, PEOPLE


class Command(BaseCommand):
    """Make the demo once, and tell how to sign in."""

    help = (
        "Make an invented contractor with people, properties and two years of events, traces and"
        " findings. Where it is there already, only the sign-ins are told."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Where it is going to be served."""
        parser.add_argument(
            "--address", default="127.0.0.1:8000", help="address to tell (127.0.0.1:8000)"
        )

    def handle(self, *_: Any, **options: Any) -> None:
        """Make and tell."""
        started_s = time.monotonic()
        try:
            is_new = demo_make()
        except Conflict as broken_off:
            raise CommandError(broken_off.detail) from broken_off
        counts = demo_counts()
        if is_new:
            self.stdout.write(f"The demo was made in {time.monotonic() - started_s:.0f} s.")
        else:
            self.stdout.write("The demo is there already.")
        for line in [*_counted(counts), "", *_sign_ins(options["address"])]:
            self.stdout.write(line)


def _counted(counts: DemoCounts) -> list[str]:
    kept = f"{counts.properties} properties, {counts.controllers} controllers"
    laid = f"{counts.paths} two-wire paths, {counts.devices} devices"
    calls = f"{counts.calls} fault calls ({counts.open_calls} open)"
    traced = f"{counts.traces} traces, {counts.proved} proved findings"
    return [
        f"  {kept}, {laid},",
        f"  {counts.events} events, {calls}, {traced}.",
    ]


def _sign_ins(address: str) -> list[str]:
    return [
        f"Pages  http://{address}/",
        f"API    http://{address}/api/v1/",
        "",
        f"Sign in as one of these, all with the password {PASSWORD}",
        "(people of the demo alone: never open this database to a network):",
        *(f"  {one.sign_in_name:20} {one.role.label:12} {one.name}" for one in PEOPLE),
    ]
