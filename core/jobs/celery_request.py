"""A message of a running Celery worker, acknowledged in a way that notices a broker gone."""

from __future__ import annotations

from celery.utils.log import get_logger
from celery.worker.request import Request

log = get_logger(__name__)


class JobRequest(Request):
    """Celery's request of a task, but for one thing: a failed acknowledgement is an error.

    Celery logs it and goes on. Where all hands were busy as the broker went, nothing is read from
    it at that moment, so nothing else fails; the messages count as unacknowledged for good, no
    more are asked for, and the worker stands still until it is started again (seen with 5.7).
    Raised in the worker's loop instead, the error makes it connect anew.
    """

    def acknowledge(self) -> None:
        """Acknowledge once; the second argument names the errors that are only to be logged."""
        if not self.acknowledged:
            self.on_ack(log, ())
            self.acknowledged = True
