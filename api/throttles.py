"""How many requests are taken from one actor, told in headers of every answer.

A window of a fixed minute is counted in the cache; where the cache does not answer, requests are
let through, for a counter is no reason to stop work.
"""

from __future__ import annotations

from dataclasses import dataclass

from django.conf import settings

from core.accounts.actor import Actor
from core.counting import count_in_window
from core.problems import TooManyRequests

USUAL = "usual"
HEAVY = "heavy"


@dataclass(frozen=True)
class Limit:
    """``most`` requests in ``window_s`` seconds."""

    name: str
    most: int
    window_s: int

    def policy(self) -> str:
        """As the header RateLimit-Policy has it."""
        return f'"{self.name}";q={self.most};w={self.window_s}'


@dataclass(frozen=True)
class Count:
    """What is left of a limit, and for how long that holds."""

    limit: Limit
    left: int
    reset_s: int

    def headers(self) -> dict[str, str]:
        """The headers of the answer."""
        told = f'"{self.limit.name}";r={max(0, self.left)};t={self.reset_s}'
        return {"RateLimit-Policy": self.limit.policy(), "RateLimit": told}


def limit_named(name: str) -> Limit:
    """The limit as the settings have it."""
    most, window_s = settings.API_LIMITS[name]
    return Limit(name, most, window_s)


def counted(actor: Actor, name: str) -> Count:
    """Count one request. Raises TooManyRequests past the limit."""
    limit = limit_named(name)
    used, reset_s = count_in_window(f"api-limit:{name}:{actor.public_id}", limit.window_s)
    count = Count(limit, limit.most - used, reset_s)
    if count.left < 0:
        raise TooManyRequests(
            f"More than {limit.most} requests in {limit.window_s} s; go on in {reset_s} s.",
            headers=count.headers() | {"Retry-After": str(reset_s)},
        )
    return count
