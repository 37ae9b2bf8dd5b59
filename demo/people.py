"""The invented contractor, its people and crews.

The password stands here for all to read: it is that of demo people alone, who exist only where
``make_demo`` was run, and production has no such command.
"""

from __future__ import annotations

from dataclasses import dataclass

from core.accounts.actor import Actor, Role, system_actor
from core.accounts.people import contractor_create, crew_create, person_create
from core.accounts.sign_in import person_actor
from core.models import Contractor
from core.tenancy.scope import contractor_scope, everywhere
from demo.places import TIME_ZONE

CONTRACTOR = "Reed and Rowan Grounds (demo)"
PASSWORD = "demo-people-only"  # noqa: S105 - printed by the command, of demo people alone


@dataclass(frozen=True)
class DemoPerson:
    """Somebody of the demo: how they sign in, who they are, and their crew."""

    sign_in_name: str
    name: str
    role: Role
    crew: str = ""


PEOPLE = (
    DemoPerson("owner.demo", "Ines Calder", Role.OWNER),
    DemoPerson("supervisor.demo", "Tomas Verde", Role.SUPERVISOR),
    DemoPerson("auditor.demo", "Mira Lund", Role.AUDITOR),
    DemoPerson("technician.demo", "Ada Kestrel", Role.TECHNICIAN, "North crew"),
    DemoPerson("technician2.demo", "Bo Farrow", Role.TECHNICIAN, "North crew"),
    DemoPerson("technician3.demo", "Dina Holm", Role.TECHNICIAN, "South crew"),
    DemoPerson("technician4.demo", "Eli Marsh", Role.TECHNICIAN, "South crew"),
)
CREWS = ("North crew", "South crew")


@dataclass(frozen=True)
class Staff:
    """Who acts in the demo."""

    contractor: Contractor
    supervisor: Actor
    controllers: Actor
    technicians: dict[str, tuple[Actor, ...]]


def demo_contractor() -> Contractor | None:
    """The demo's contractor where it is there already. Runs in no scope."""
    with everywhere(reason="looks whether the demo is there"):
        return Contractor.objects.filter(name=CONTRACTOR).order_by("pk").first()


def staff_create() -> Staff:
    """The contractor, its people and crews. Runs in no scope."""
    with everywhere(reason="a new contractor has no scope yet"):
        contractor = contractor_create(name=CONTRACTOR, time_zone=TIME_ZONE)
    by = system_actor(contractor.pk, "demo")
    with contractor_scope(contractor.pk):
        people = {
            one.sign_in_name: person_create(
                sign_in_name=one.sign_in_name,
                name=one.name,
                password=PASSWORD,
                roles=[one.role],
                by=by,
            )
            for one in PEOPLE
        }
        for crew in CREWS:
            members = [people[one.sign_in_name] for one in PEOPLE if one.crew == crew]
            crew_create(name=crew, members=members, by=by)
    actors = {name: person_actor(person) for name, person in people.items()}
    return Staff(
        contractor=contractor,
        supervisor=actors["supervisor.demo"],
        controllers=system_actor(contractor.pk, "controllers"),
        technicians={
            crew: tuple(actors[one.sign_in_name] for one in PEOPLE if one.crew == crew)
            for crew in CREWS
        },
    )
