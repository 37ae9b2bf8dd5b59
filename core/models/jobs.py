"""Background work: the job table is the truth; a broker, where there is one, only carries ids."""

from __future__ import annotations

from typing import ClassVar

from django.db import models

from core.tenancy.owned import ContractorOwned, PublicIdField, unique_in_contractor


class JobState(models.TextChoices):
    """Where a job is. A job that failed and will be tried again is queued, with its error kept."""

    QUEUED = "queued", "Queued"
    RUNNING = "running", "Running"
    DONE = "done", "Done"
    DEAD = "dead", "Dead: out of attempts"
    CANCELLED = "cancelled", "Cancelled"


class Job(ContractorOwned):
    """One piece of work that is done outside a request, once."""

    public_id = PublicIdField("job")
    kind = models.CharField(max_length=60)
    payload = models.JSONField(default=dict)
    state = models.CharField(max_length=10, choices=JobState.choices, default=JobState.QUEUED)
    asked_by = models.CharField(max_length=120)
    created_at = models.DateTimeField()
    # Empty is "at once": a time that merely says so would hold the job up when the clock is set
    # back.
    run_after = models.DateTimeField(null=True, blank=True)
    published_at = models.DateTimeField(null=True, blank=True)

    attempts = models.PositiveSmallIntegerField(default=0)
    max_attempts = models.PositiveSmallIntegerField()
    # Made anew by each claim; whoever holds an older one can write nothing any more.
    token = models.CharField(max_length=32, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    heartbeat_at = models.DateTimeField(null=True, blank=True)
    started_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)

    progress_share = models.FloatField(default=0.0)
    progress_words = models.CharField(max_length=200, blank=True)
    result = models.JSONField(null=True, blank=True)
    error = models.TextField(blank=True)

    dedupe_key = models.CharField(max_length=120, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="job_public_id"),
            unique_in_contractor(
                "dedupe_key", name="job_dedupe_key", condition=~models.Q(dedupe_key="")
            ),
        )
        indexes = (
            models.Index(fields=["contractor", "state", "id"], name="job_of_contractor"),
            # A worker looks over all contractors; only rows that wait or run are in these two.
            models.Index(fields=["id"], condition=models.Q(state="queued"), name="job_queued"),
            models.Index(
                fields=["lease_until"], condition=models.Q(state="running"), name="job_leased"
            ),
        )

    def __str__(self) -> str:
        return f"{self.kind} {self.public_id}"


class BeatSlot(models.Model):
    """When something that runs by schedule last ran; belongs to the installation."""

    name = models.CharField(max_length=80, unique=True)
    last_run_at = models.DateTimeField(null=True, blank=True)

    objects: ClassVar[models.Manager[BeatSlot]] = models.Manager()

    def __str__(self) -> str:
        return self.name
