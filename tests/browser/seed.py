"""An invented contractor with one property, its path and an open call, for the browser tests.

``manage.py shell`` runs :func:`seed_all` on the database of the settings.
"""

from __future__ import annotations

import datetime as dt
import json
import sys

from core.accounts.actor import Actor, Role, system_actor
from core.accounts.people import contractor_create, crew_create, person_create
from core.clock import now
from core.tenancy.scope import contractor_scope, everywhere
from faults.models import FlagMove, Inspection, TroubleFlag
from faults.services.events import EventReport, event_report
from faults.services.recurrence_runs import run_search, run_store
from sites.models import WirePath
from sites.services.controllers import ControllerDetails, controller_create
from sites.services.path_imports import path_import
from sites.services.properties import PropertyDetails, property_create
from tests.architecture.house import ROOT
from tests.trouble.history import EVIDENCE

SHOWN = {
    "ratio_low": 3.1,
    "ratio_high": 43.8,
    "posterior_ratio": 2.7,
    "posterior_low": 0.9,
    "posterior_high": 5.6,
    "metres": 63.0,
    "peers": {"segment": {"units": 938}, "splice": {"units": 937}},
}
PASSWORD = "weathered-oak-trellis"  # noqa: S105 - of people who exist in tests alone
REHEARSAL = ROOT / "demo" / "north_lawn.json"
NAMES = {
    Role.TECHNICIAN: "Ada Kestrel",
    Role.SUPERVISOR: "Nils Ode",
    Role.AUDITOR: "Mira Lund",
}
CREW = "Van one"
"""The technician's."""


def seed(number: int) -> dict[str, str]:
    """One contractor, whose people sign in as ``technician-1`` and so on."""
    with everywhere(reason="a new contractor has no scope yet"):
        contractor = contractor_create(name="Alder Water Works", time_zone="Europe/Madrid")
    by = system_actor(contractor.pk, "tests")
    with contractor_scope(contractor.pk):
        people = {
            role: person_create(
                sign_in_name=f"{role.value}-{number}",
                name=name,
                password=PASSWORD,
                roles=[role],
                by=by,
            )
            for role, name in NAMES.items()
        }
        crew_create(name=CREW, members=[people[Role.TECHNICIAN]], by=by)
        details = PropertyDetails(
            name="Weir Garden",
            time_zone="Europe/Madrid",
            address="4 Weir Lane",
            access_note="Key at the gate house. The dog is friendly.",
        )
        place = property_create(details=details, by=by)
        cabinet = controller_create(place=place, details=ControllerDetails("Gate cabinet"), by=by)
        survey = json.loads(REHEARSAL.read_text(encoding="utf-8"))["survey"]
        path = path_import(controller=cabinet, survey=survey, by=by).path
        assert path is not None
        report = EventReport(
            kind="overcurrent",
            at=now() - dt.timedelta(hours=2),
            path=path.public_id,
            note="the message came with the second station",
        )
        call = event_report(report=report, by=by).call
        assert call is not None
        flag, look = _troubled(path, by)
    return {
        "flag": flag.public_id,
        "look": look.public_id,
        "number": str(number),
        "property": place.public_id,
        "path": path.public_id,
        "call": call.public_id,
    }


def _troubled(path: WirePath, by: Actor) -> tuple[TroubleFlag, Inspection]:
    """A flag of a run over this short history, raised by hand, and a look past its day."""
    run = run_store(search=run_search({"as_of": now().isoformat()}), job_id=None, by=by)
    flag = TroubleFlag.objects.create(
        path=path,
        kind="stretch",
        state="raised",
        places=[{"splice": "N2"}, {"segment": "S3"}, {"splice": "N3"}],
        evidence=EVIDENCE | SHOWN,
        raised_at=now(),
        run=run,
    )
    FlagMove.objects.create(
        flag=flag,
        to_state="raised",
        at=now(),
        why="3 failures where peers expect 0.2",
        evidence=flag.evidence,
        by_name="recurrence.search",
    )
    look = Inspection.objects.create(
        property=path.controller.property,
        path=path,
        flag=flag,
        number=1,
        due_on=now().date() - dt.timedelta(days=3),
        planned_week=now().date() - dt.timedelta(days=now().weekday()),
        chance=0.2,
        created_at=now(),
    )
    return flag, look


def seed_all(first: int, count: int) -> None:
    """So many contractors, numbered from the first on; their ids are printed."""
    numbers = range(first, first + count)
    sys.stdout.write(json.dumps([seed(number) for number in numbers]))
