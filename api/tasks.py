"""What the API does by schedule."""

from __future__ import annotations

from api.idempotency import forget_old_answers
from core.jobs.beat import every

HOUR_S = 3600.0


@every(HOUR_S, "forget old answers")
def forget_answers() -> None:
    """Drop answers that nobody will ask for again."""
    forget_old_answers()
