"""The base of every row that belongs to a contractor."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, ClassVar, Self, TypeVar

from django.db import models
from ulid import ULID

from core.tenancy.scope import EVERYWHERE, ScopeMissingError, current_contractor_id, current_scope

_Row = TypeVar("_Row", bound="ContractorOwned")


if TYPE_CHECKING:
    _TextField = models.CharField[str, str]
else:
    _TextField = models.CharField


class PublicIdField(_TextField):
    """The name of a row outside: a prefix for its kind and a ULID, which sorts by time."""

    def __init__(self, prefix: str, **options: Any) -> None:
        self.prefix = prefix
        super().__init__(**{"max_length": 40, "editable": False} | options)

    def deconstruct(self) -> Any:
        """What a migration keeps of the field."""
        name, path, _, options = super().deconstruct()
        return name, path, [self.prefix], options

    def get_default(self) -> str:
        """A new name."""
        return f"{self.prefix}_{str(ULID()).lower()}"


class ScopedQuerySet(models.QuerySet[_Row]):
    """Rows of the contractor in scope."""

    def bulk_create(self, objs: Iterable[_Row], *args: Any, **options: Any) -> list[_Row]:
        """As Django's, each row owned by the contractor in scope."""
        rows = list(objs)
        for row in rows:
            row.claim_for_scope()
        return super().bulk_create(rows, *args, **options)


class ScopedManager(models.Manager[_Row]):
    """Hands out rows of the contractor in scope; outside a scope it raises."""

    # Relations follow the same manager, so a row of another contractor is not reached by them.
    use_in_migrations = False

    def get_queryset(self) -> ScopedQuerySet[_Row]:
        """Rows of the contractor in scope. Raises ScopeMissingError outside one."""
        rows: ScopedQuerySet[_Row] = ScopedQuerySet(self.model, using=self._db)
        scope = current_scope()
        return rows if scope == EVERYWHERE else rows.filter(contractor_id=scope)


class ContractorOwned(models.Model):
    """A row of one contractor; see ``core.tenancy.scope`` for who may see it."""

    append_only: ClassVar[bool] = False
    """True: the database refuses to change or delete rows of this table."""

    contractor = models.ForeignKey(
        "core.Contractor", on_delete=models.PROTECT, related_name="+", editable=False
    )

    objects: ClassVar[ScopedManager[Self]] = ScopedManager()

    class Meta:
        abstract = True
        base_manager_name = "objects"

    def save(self, *args: Any, **options: Any) -> None:
        """As Django's, in the scope of the row's contractor."""
        self.claim_for_scope()
        super().save(*args, **options)

    def claim_for_scope(self) -> None:
        """Set the contractor in scope as owner. Raises ScopeMissingError if it is another's."""
        scope = current_scope()
        owner: int | None = self.contractor_id
        if owner is None:
            self.contractor_id = current_contractor_id()
        elif scope not in (EVERYWHERE, owner):
            raise ScopeMissingError(
                f"a row of contractor {self.contractor_id} was to be saved in the scope of {scope}"
            )


class Versioned(models.Model):
    """A row that people edit: its version is what an entity tag is made of."""

    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        abstract = True


def unique_in_contractor(
    *fields: str, name: str, condition: models.Q | None = None
) -> models.UniqueConstraint:
    """A unique constraint that the contractor leads."""
    return models.UniqueConstraint(fields=("contractor", *fields), name=name, condition=condition)
