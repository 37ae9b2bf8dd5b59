"""The tables of ``api``; imported here so that Django finds them."""

from api.models.idempotency import KeptAnswer

__all__ = ["KeptAnswer"]
