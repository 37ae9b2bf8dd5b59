"""Work promised to a property, how it moved, and the events behind it."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q

from core.models.accounts import Crew, Person
from core.tenancy.owned import ContractorOwned, PublicIdField, Versioned, unique_in_contractor
from faults.models.event import FaultEvent
from faults.transitions import CallOutcome, CallState, WaitKind
from sites.models.controller import Controller
from sites.models.property import Property
from sites.models.wire_path import WirePath


class Urgency(models.TextChoices):
    """How soon a call wants somebody."""

    ROUTINE = "routine", "Routine"
    SOON = "soon", "Soon"
    URGENT = "urgent", "Urgent"


class CallKind(models.TextChoices):
    """What is wrong, as it was reported."""

    OVERCURRENT = "overcurrent", "Overcurrent message"
    STATIONS = "stations", "Some stations only"
    CONTROLLER = "controller", "The controller"
    OTHER = "other", "Other"


class FaultCall(ContractorOwned, Versioned):
    """Work promised to a property: one fault on one path, as far as the path is known.

    ``opened_at`` is when the fault was first seen, ``created_at`` when the call was written.
    ``overcurrents`` counts the overcurrent events on it, ``last_event_at`` is the newest one's
    time; ``reports`` counts what people reported of it, the first report too.
    ``only_with_station``: the message comes only while this station runs (null: always, or not
    known). ``dry_stations`` are those told to be without water; empty: all of the path.
    ``waits_until`` is a day, ``wait_reason`` its why, ``wait_kind`` for what, while it is
    *waiting*. ``partly_restored``: what can be watered without the faulty part is.
    A closed call names the return test that it was closed on, or says why without one.
    """

    public_id = PublicIdField("call")
    property = models.ForeignKey(
        Property, on_delete=models.PROTECT, related_name="calls", db_index=False
    )
    controller = models.ForeignKey(
        Controller,
        on_delete=models.PROTECT,
        related_name="calls",
        null=True,
        blank=True,
        db_index=False,
    )
    path = models.ForeignKey(
        WirePath,
        on_delete=models.PROTECT,
        related_name="calls",
        null=True,
        blank=True,
        db_index=False,
    )
    state = models.CharField(
        max_length=20, choices=CallState.choices, default=CallState.REPORTED, editable=False
    )
    outcome = models.CharField(max_length=20, choices=CallOutcome.choices, blank=True)
    outcome_reason = models.CharField(max_length=500, blank=True)
    urgency = models.CharField(max_length=10, choices=Urgency.choices, default=Urgency.SOON)
    kind = models.CharField(max_length=20, choices=CallKind.choices, default=CallKind.OVERCURRENT)
    only_with_station = models.PositiveIntegerField(null=True, blank=True)
    dry_stations = models.JSONField(default=list)
    after_rain = models.BooleanField(default=False)
    after_lightning = models.BooleanField(default=False)
    digging_nearby = models.BooleanField(default=False)
    promised_by = models.DateTimeField(null=True, blank=True)
    contact = models.CharField(max_length=200, blank=True)
    access_hours = models.CharField(max_length=200, blank=True)
    crew = models.ForeignKey(
        Crew, on_delete=models.PROTECT, related_name="+", null=True, blank=True, db_index=False
    )
    person = models.ForeignKey(
        Person, on_delete=models.PROTECT, related_name="+", null=True, blank=True, db_index=False
    )
    note = models.CharField(max_length=500, blank=True)
    partly_restored = models.BooleanField(default=False, editable=False)
    wait_kind = models.CharField(max_length=20, choices=WaitKind.choices, blank=True)
    wait_reason = models.CharField(max_length=500, blank=True)
    waits_until = models.DateField(null=True, blank=True)
    opened_at = models.DateTimeField()
    created_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True, blank=True)
    opened_by_name = models.CharField(max_length=120)
    opened_by_event = models.ForeignKey(
        FaultEvent,
        on_delete=models.PROTECT,
        related_name="+",
        null=True,
        blank=True,
        db_index=False,
    )
    closing_test = models.ForeignKey(
        "faults.ReturnTest",
        on_delete=models.PROTECT,
        related_name="+",
        null=True,
        blank=True,
        db_index=False,
        editable=False,
    )
    untested_why = models.CharField(max_length=500, blank=True)
    reports = models.PositiveIntegerField(default=0, editable=False)
    overcurrents = models.PositiveIntegerField(default=0, editable=False)
    last_event_at = models.DateTimeField(null=True, blank=True, editable=False)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="call_public_id"),
            unique_in_contractor(
                "path",
                name="call_open_of_path",
                condition=Q(path__isnull=False, closed_at__isnull=True),
            ),
            models.CheckConstraint(
                name="call_closed_says_when",
                condition=Q(state__in=("closed", "cancelled"), closed_at__isnull=False)
                | (~Q(state__in=("closed", "cancelled")) & Q(closed_at__isnull=True)),
            ),
            models.CheckConstraint(
                name="call_closed_says_how",
                condition=(Q(state="closed") & ~Q(outcome="") & ~Q(outcome_reason=""))
                | (~Q(state="closed") & Q(outcome="")),
            ),
            models.CheckConstraint(
                name="call_closed_tested_or_says_why",
                condition=(
                    Q(state="closed") & (Q(closing_test__isnull=False) | ~Q(untested_why=""))
                )
                | (~Q(state="closed") & Q(closing_test__isnull=True, untested_why="")),
            ),
            models.CheckConstraint(
                name="call_waits_for_a_day",
                condition=(Q(state="waiting") & Q(waits_until__isnull=False) & ~Q(wait_kind=""))
                | (~Q(state="waiting") & Q(waits_until__isnull=True, wait_kind="")),
            ),
            models.CheckConstraint(
                name="call_is_one_partys",
                condition=Q(crew__isnull=True) | Q(person__isnull=True),
            ),
        )
        indexes = (
            models.Index(fields=["contractor", "state", "id"], name="call_by_state"),
            models.Index(fields=["contractor", "property", "id"], name="call_of_property"),
            models.Index(fields=["contractor", "path", "id"], name="call_of_path"),
            models.Index(
                fields=["contractor", "waits_until"],
                name="call_that_waits",
                condition=Q(waits_until__isnull=False),
            ),
        )

    def __str__(self) -> str:
        return self.public_id


class CallMove(ContractorOwned):
    """That a call went from one state to another: who, when and why."""

    append_only: ClassVar[bool] = True

    call = models.ForeignKey(
        FaultCall, on_delete=models.PROTECT, related_name="moves", db_index=False
    )
    # Empty for the call's first state.
    from_state = models.CharField(max_length=20, choices=CallState.choices, blank=True)
    to_state = models.CharField(max_length=20, choices=CallState.choices)
    at = models.DateTimeField()
    by_kind = models.CharField(max_length=10)
    by_id = models.CharField(max_length=80)
    by_name = models.CharField(max_length=120)
    why = models.CharField(max_length=500, blank=True)

    class Meta(ContractorOwned.Meta):
        indexes = (models.Index(fields=["contractor", "call", "id"], name="move_of_call"),)

    def __str__(self) -> str:
        return f"{self.from_state} to {self.to_state}"


class CallEvent(ContractorOwned):
    """That an event belongs to a call."""

    append_only: ClassVar[bool] = True

    call = models.ForeignKey(
        FaultCall, on_delete=models.PROTECT, related_name="event_links", db_index=False
    )
    event = models.ForeignKey(
        FaultEvent, on_delete=models.PROTECT, related_name="call_links", db_index=False
    )

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("event", name="call_of_event"),)
        indexes = (models.Index(fields=["contractor", "call", "id"], name="event_of_call"),)

    def __str__(self) -> str:
        return f"{self.event_id} on {self.call_id}"
