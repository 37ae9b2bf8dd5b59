"""Questions that an audit is asked again and again, and audits on paper."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from core.models.jobs import Job
from core.tenancy.owned import ContractorOwned, PublicIdField, Versioned, unique_in_contractor


class SavedQuestion(ContractorOwned, Versioned):
    """A question under a name; ``asked`` in the words of ``faults.audit_question``."""

    public_id = PublicIdField("audq")
    name = models.CharField(max_length=120)
    asked = models.JSONField()
    created_at = models.DateTimeField()
    by_id = models.CharField(max_length=80)
    by_name = models.CharField(max_length=120)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="saved_question_public_id"),
            unique_in_contractor(
                "name", name="saved_question_name", condition=Q(withdrawn_at__isnull=True)
            ),
        )

    def __str__(self) -> str:
        return self.name


class AuditReport(ContractorOwned):
    """An audit as a PDF, as of ``as_of``. Its file lies under the random ``file_name`` in the media
    folder once ``job`` has made it."""

    public_id = PublicIdField("audr")
    title = models.CharField(max_length=120)
    asked = models.JSONField()
    as_of = models.DateTimeField()
    by_id = models.CharField(max_length=80)
    by_name = models.CharField(max_length=120)
    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="+", db_index=False)
    made_at = models.DateTimeField(null=True, blank=True)
    file_name = models.CharField(max_length=100, blank=True)
    size_bytes = models.PositiveIntegerField(default=0)
    sha256 = models.CharField(max_length=64, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("public_id", name="audit_report_public_id"),)

    def __str__(self) -> str:
        return self.title
