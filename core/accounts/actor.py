"""Who acts: a person or a machine, with what they may do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from django.db import models


class Role(models.TextChoices):
    """What a person is to the contractor."""

    TECHNICIAN = "technician", "Technician"
    SUPERVISOR = "supervisor", "Supervisor"
    AUDITOR = "auditor", "Auditor"
    OWNER = "owner", "Owner"


class TokenScope(models.TextChoices):
    """What a machine token may do."""

    READ = "read", "Read"
    EVENTS = "events:write", "Report events"
    REGISTER = "register:write", "Change properties, paths and devices"
    TRACES = "traces:write", "Run traces and calls"
    ADMIN = "admin", "Manage people and tokens"


@dataclass(frozen=True)
class Actor:
    """Who asks, in the scope of which contractor. Audited with every change."""

    kind: Literal["person", "token", "system"]
    public_id: str
    name: str
    contractor_id: int
    roles: frozenset[Role] = frozenset()
    scopes: frozenset[TokenScope] = frozenset()
    person_id: int | None = None


def system_actor(contractor_id: int, name: str) -> Actor:
    """The product itself, acting by schedule or rule ``name``."""
    return Actor(kind="system", public_id=name, name=name, contractor_id=contractor_id)
