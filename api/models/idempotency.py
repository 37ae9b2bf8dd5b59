"""Answers that are kept so that a request sent twice has one effect."""

from __future__ import annotations

from django.db import models

from core.tenancy.owned import ContractorOwned, PublicIdField, unique_in_contractor


class KeptAnswer(ContractorOwned):
    """The answer to the request that an actor sent with an Idempotency-Key.

    ``fingerprint`` tells whether another request with the key is the same one. ``status`` is null
    while the first is under way, which others see only where its effect is kept on its own.
    """

    public_id = PublicIdField("key")
    actor_id = models.CharField(max_length=80)
    key = models.CharField(max_length=200)
    fingerprint = models.CharField(max_length=64)
    status = models.PositiveSmallIntegerField(null=True)
    headers = models.JSONField(default=dict)
    body = models.TextField(blank=True)
    created_at = models.DateTimeField()

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("actor_id", "key", name="kept_answer_key"),)
        indexes = (models.Index(fields=["contractor", "created_at"], name="kept_answer_age"),)

    def __str__(self) -> str:
        return self.key
