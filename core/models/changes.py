"""What was done by whom, and the gap-free order in which others read it."""

from __future__ import annotations

from typing import ClassVar

from django.db import models

from core.tenancy.owned import ContractorOwned, PublicIdField, unique_in_contractor


class Change(ContractorOwned):
    """One thing a service did, written in its transaction and never altered."""

    append_only: ClassVar[bool] = True

    public_id = PublicIdField("chg")
    at = models.DateTimeField()
    actor_kind = models.CharField(max_length=10)
    actor_id = models.CharField(max_length=80)
    actor_name = models.CharField(max_length=120)
    action = models.CharField(max_length=60)
    object_kind = models.CharField(max_length=30)
    object_id = models.CharField(max_length=40)
    # What order has to be kept within: a call and all that hangs on it, or the object itself.
    thread_id = models.CharField(max_length=40)
    before = models.JSONField(null=True)
    after = models.JSONField(null=True)
    request_id = models.CharField(max_length=40, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("public_id", name="change_public_id"),)
        indexes = (
            models.Index(fields=["contractor", "object_id", "id"], name="change_of_object"),
            models.Index(fields=["contractor", "thread_id", "id"], name="change_of_thread"),
        )

    def __str__(self) -> str:
        return f"{self.action} {self.object_id}"


class UnsequencedChange(ContractorOwned):
    """That a change waits for its place in the feed: a short list, so that finding what is new
    costs the same however long the history is. It commits with its change, so a slow writer's
    is found when it appears, whatever its number."""

    change = models.OneToOneField(Change, on_delete=models.PROTECT, related_name="waiting")

    class Meta(ContractorOwned.Meta):
        indexes = (models.Index(fields=["contractor", "change"], name="waiting_change"),)

    def __str__(self) -> str:
        return f"waiting {self.change_id}"


class FeedEpoch(ContractorOwned):
    """A life of the feed: a restore from a copy starts a new one and ends old cursors."""

    number = models.PositiveIntegerField()
    started_at = models.DateTimeField()
    reason = models.CharField(max_length=120)

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("number", name="feed_epoch_number"),)

    def __str__(self) -> str:
        return f"epoch {self.number}"


class FeedEntry(ContractorOwned):
    """A committed change at its place in the contractor's feed."""

    append_only: ClassVar[bool] = True

    position = models.PositiveBigIntegerField()
    change = models.OneToOneField(Change, on_delete=models.PROTECT, related_name="entry")
    chain_hash = models.CharField(max_length=64)

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("position", name="feed_position"),)

    def __str__(self) -> str:
        return f"{self.position}"
