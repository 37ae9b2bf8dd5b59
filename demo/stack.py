"""``make stack``: web, worker and beat as plain processes, on PostgreSQL and Redis.

Where ``DATABASE_URL`` or ``REDIS_URL`` name a running service, that one is used; otherwise one is
started in ``.stack/``, whose data stays for the next time. Ctrl-C ends all of it.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
from contextlib import ExitStack
from functools import partial
from pathlib import Path

from core.death_with_parent import die_with_parent
from core.environment import handed_on, text
from core.stop_signals import on_stop
from demo.own_services import NotStarted, own_postgres, own_redis

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / ".stack"


def main(words: list[str]) -> int:
    """The status of what was served; 1 where a service or a command before it failed."""
    parser = argparse.ArgumentParser(prog="python -m demo.stack", description=__doc__)
    parser.add_argument("--bind", default="127.0.0.1:8000", help="address (127.0.0.1:8000)")
    parser.add_argument("--folder", type=Path, default=FOLDER, help="of the own services (.stack)")
    parser.add_argument("--no-demo", action="store_true", help="leave the invented data out")
    chosen = parser.parse_args(words)
    with ExitStack() as running:
        try:
            environment = handed_on(
                DATABASE_URL=text("DATABASE_URL")
                or running.enter_context(own_postgres(chosen.folder / "postgres")),
                REDIS_URL=text("REDIS_URL")
                or running.enter_context(own_redis(chosen.folder / "redis")),
            )
        except NotStarted as problem:
            sys.stderr.write(f"{problem}\n")
            return 1
        commands = [["migrate", "--verbosity", "0"]]
        if not chosen.no_demo:
            commands.append(["make_demo", "--address", chosen.bind])
        for command in commands:
            status = subprocess.run(_manage(*command), env=environment, check=False).returncode
            if status:
                return status
        return _served(chosen.bind, environment)


def _served(bind: str, environment: dict[str, str]) -> int:
    # In a session of its own: Ctrl-C comes here alone, and the services end after their clients.
    served = subprocess.Popen(
        _manage("serve", "--bind", bind),
        env=environment,
        start_new_session=True,
        preexec_fn=partial(die_with_parent, os.getpid(), signal.SIGTERM),  # noqa: PLW1509
    )
    on_stop(lambda: served.send_signal(signal.SIGTERM))
    return served.wait()


def _manage(*words: str) -> list[str]:
    return [sys.executable, str(ROOT / "manage.py"), *words]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
