"""Runs a command with a PostgreSQL of its own.

``python -m tests.services.with_postgres -- pytest -m database``

The database is named to the tests by ``CLAMPLINE_TEST_DATABASE_URL``; its role owns it and is no
superuser, so that row-level security is tested as it holds in production. Its tables are laid once:
each process of the tests copies it. It is gone afterwards.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from core.environment import handed_on
from demo.own_services import own_postgres
from tests.architecture.house import ROOT

MIGRATE = (sys.executable, "manage.py", "migrate", "--verbosity", "0")
USAGE = "usage: python -m tests.services.with_postgres -- COMMAND..."


def main(words: list[str]) -> int:
    """The command's exit status; 2 where there is none."""
    if words[:1] != ["--"] or len(words) < 2:
        sys.stderr.write(f"{USAGE}\n")
        return 2
    with tempfile.TemporaryDirectory(prefix="clampline-tests-") as name:
        folder = Path(name)
        # The server runs as another user where this one is root: let it through to its own folder.
        folder.chmod(0o711)
        with own_postgres(folder / "postgres", is_lasting=False) as url:
            environment = handed_on(CLAMPLINE_TEST_DATABASE_URL=url)
            subprocess.run(MIGRATE, env=handed_on(DATABASE_URL=url), cwd=ROOT, check=True)
            return subprocess.run(words[1:], env=environment, check=False).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
