"""Contractors, their people, crews and machine tokens."""

from __future__ import annotations

from typing import ClassVar

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import models

from core.accounts.actor import Role, TokenScope
from core.tenancy.owned import (
    ContractorOwned,
    PublicIdField,
    Versioned,
    unique_in_contractor,
)


class Contractor(models.Model):
    """A maintenance contractor: owns everything else."""

    public_id = PublicIdField("con", unique=True)
    name = models.CharField(max_length=120)
    time_zone = models.CharField(max_length=64, default="UTC")
    created_at = models.DateTimeField()

    def __str__(self) -> str:
        return self.name


class Person(ContractorOwned, Versioned, AbstractBaseUser):
    """Somebody who works for the contractor and signs in."""

    public_id = PublicIdField("per")
    # Unique over all contractors: a sign-in says no contractor.
    sign_in_name = models.CharField(max_length=120, unique=True)
    name = models.CharField(max_length=120)
    is_active = models.BooleanField(default=True)
    is_technician = models.BooleanField(default=False)
    is_supervisor = models.BooleanField(default=False)
    is_auditor = models.BooleanField(default=False)
    is_owner = models.BooleanField(default=False)
    created_at = models.DateTimeField()

    USERNAME_FIELD = "sign_in_name"
    REQUIRED_FIELDS: ClassVar[list[str]] = ["name"]

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("public_id", name="person_public_id"),)

    def __str__(self) -> str:
        return self.name

    @property
    def roles(self) -> frozenset[Role]:
        """What the person is to the contractor."""
        return frozenset(role for role in Role if getattr(self, f"is_{role.value}"))


class Crew(ContractorOwned, Versioned):
    """People who go out together."""

    public_id = PublicIdField("crew")
    name = models.CharField(max_length=80)
    members: models.ManyToManyField[Person, CrewMember] = models.ManyToManyField(
        Person, through="CrewMember", related_name="crews"
    )
    created_at = models.DateTimeField()

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="crew_public_id"),
            unique_in_contractor("name", name="crew_name"),
        )

    def __str__(self) -> str:
        return self.name


class CrewMember(ContractorOwned):
    """That a person belongs to a crew."""

    crew = models.ForeignKey(Crew, on_delete=models.CASCADE, related_name="memberships")
    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="memberships")

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("crew", "person", name="crew_member"),)

    def __str__(self) -> str:
        return f"{self.person_id} in {self.crew_id}"


class MachineToken(ContractorOwned):
    """A token of another system: only a digest of its secret is kept."""

    public_id = PublicIdField("tok")
    name = models.CharField(max_length=80)
    # Unique over all contractors: a request with a token says no contractor.
    secret_digest = models.CharField(max_length=64, unique=True)
    scopes = models.JSONField(default=list)
    created_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("public_id", name="token_public_id"),)

    def __str__(self) -> str:
        return self.name

    @property
    def granted(self) -> frozenset[TokenScope]:
        """What the token may do."""
        return frozenset(TokenScope(scope) for scope in self.scopes)
