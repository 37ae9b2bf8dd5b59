"""``manage.py begin_contractor``: a contractor and the owner, who takes on everybody else."""

from __future__ import annotations

import sys
from getpass import getpass
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction

from core.accounts.actor import Role, system_actor
from core.accounts.people import contractor_create, person_create
from core.problems import Problem
from core.tenancy.scope import contractor_scope, everywhere


class Command(BaseCommand):
    """Take a contractor on."""

    help = (
        "Take a contractor on, with an owner. The password is asked for, or read from standard"
        " input where that is no terminal; it is no argument, for those are seen by others."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Names and the zone."""
        parser.add_argument("name", help="the contractor's name")
        parser.add_argument("--time-zone", required=True, help="such as Europe/Madrid")
        parser.add_argument("--owner", required=True, help="the owner's name")
        parser.add_argument("--sign-in", required=True, help="the name the owner signs in with")

    def handle(self, *_: Any, **options: Any) -> None:
        """Create both or neither."""
        try:
            with transaction.atomic():
                public_id = self._begin(options, self._password())
        except Problem as problem:
            told = "; ".join(f"{one.what} (right: {one.right})" for one in problem.defects)
            raise CommandError(f"{problem.detail} {told}".strip()) from problem
        self.stdout.write(f"{public_id} {options['name']}: sign in as {options['sign_in']}")

    def _begin(self, options: dict[str, Any], password: str) -> str:
        with everywhere(reason="a contractor is taken on"):
            contractor = contractor_create(name=options["name"], time_zone=options["time_zone"])
        with contractor_scope(contractor.pk):
            person_create(
                sign_in_name=options["sign_in"],
                name=options["owner"],
                password=password,
                roles=[Role.OWNER],
                by=system_actor(contractor.pk, "begin_contractor"),
            )
        return contractor.public_id

    def _password(self) -> str:
        if not sys.stdin.isatty():
            return sys.stdin.readline().rstrip("\n")
        password = getpass("Password of the owner: ")
        if getpass("Once more: ") != password:
            raise CommandError("The two passwords differ; nothing was created.")
        return password
