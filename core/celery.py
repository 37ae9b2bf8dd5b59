"""Celery, where Redis is there: its messages carry ids of jobs and nothing else.

A message may be lost, late or come twice. The job table decides what is run, so neither matters.
Start a worker with ``celery -A core.celery worker``. There is no Celery beat here:
``manage.py run_beat`` needs no broker and cannot beat double.
"""

from __future__ import annotations

from typing import Any

from celery import Celery
from django.conf import settings

from core.environment import choose_settings
from core.jobs.limits import MAX_RUN_S, JobLimits, job_limits

RUN = "core.jobs.run"
QUEUE = "jobs"

_SOFT_LIMIT_S = MAX_RUN_S + 30.0
_HARD_LIMIT_S = MAX_RUN_S + 60.0
_CONNECT_S = 2.0
_ANSWER_S = 5.0

choose_settings()


def celery_settings(redis_url: str, limits: JobLimits) -> dict[str, Any]:
    """Celery's own settings for this broker.

    The time limit has to lie below the visibility time-out, or a running message would be handed
    out again; where tests make that time-out short, the job table still sees to one effect.
    """
    return {
        "broker_url": redis_url or None,
        "broker_connection_retry_on_startup": True,
        "broker_connection_max_retries": None,
        "broker_transport_options": {
            "visibility_timeout": limits.visibility_s,
            "socket_connect_timeout": _CONNECT_S,
            "socket_timeout": _ANSWER_S,
            "health_check_interval": 10,
            "max_retries": 0,
        },
        "result_backend": None,
        "accept_content": ["json"],
        "task_serializer": "json",
        "event_serializer": "json",
        "result_accept_content": ["json"],
        "task_default_queue": QUEUE,
        "task_acks_late": True,
        "task_reject_on_worker_lost": True,
        "task_ignore_result": True,
        "task_soft_time_limit": _SOFT_LIMIT_S,
        "task_time_limit": _HARD_LIMIT_S,
        "worker_prefetch_multiplier": 1,
        "worker_max_tasks_per_child": 500,
        "worker_enable_remote_control": False,
        "worker_hijack_root_logger": False,
        "worker_cancel_long_running_tasks_on_connection_loss": False,
        "timezone": "UTC",
    }


app = Celery("clampline")
app.conf.update(celery_settings(settings.REDIS_URL, job_limits()))


@app.task(name=RUN, Request="core.jobs.celery_request:JobRequest")
def run(job_pk: int) -> None:
    """Run the job of this id, if it is there to be run."""
    from core.jobs.run import run_job  # noqa: PLC0415 - tables exist only once Django is set up

    run_job(job_pk)


def publish(job_pk: int) -> None:
    """Tell the broker of a job. Raises the driver's errors; waits a few seconds at most."""
    app.send_task(RUN, args=[job_pk], retry=False)
