"""An SQLite file with all tables laid, migrated once and copied wherever tests begin with one.

Laying the tables takes longer than most of what is tested. The file is kept between runs beside
pytest's own cache, by what it was made from, so that a changed migration makes another one.
"""

from __future__ import annotations

import fcntl
import os
import sqlite3
import subprocess
import sys
from hashlib import sha256
from pathlib import Path

from tests.architecture.house import ROOT

KEPT = ROOT / ".pytest_cache" / "begun"


def migrated_sqlite() -> Path:
    """The file; whoever comes first makes it, the others wait for it."""
    KEPT.mkdir(parents=True, exist_ok=True)
    file = KEPT / f"{_made_from()}.sqlite3"
    with (KEPT / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not file.exists():
            for old in KEPT.glob("*.sqlite3*"):
                old.unlink()
            _migrate(file)
    return file


def copy_into(connection: sqlite3.Connection) -> None:
    """Everything of the file, into an empty database."""
    source = sqlite3.connect(migrated_sqlite())
    try:
        source.backup(connection)
    finally:
        source.close()


def _made_from() -> str:
    """Migrations tell what is laid, the lock whose code lays it."""
    digest = sha256()
    for file in [*sorted(ROOT.glob("*/migrations/*.py")), ROOT / "requirements.txt"]:
        digest.update(file.read_bytes())
    return digest.hexdigest()[:16]


def _migrate(file: Path) -> None:
    making = file.with_suffix(".making")
    making.unlink(missing_ok=True)
    environment = {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "core.settings.embedded",
        "CLAMPLINE_SQLITE_FILE": str(making),
        "CLAMPLINE_SECRET_KEY": "for tests only",
        "DATABASE_URL": "",
    }
    words = [sys.executable, "manage.py", "migrate", "--verbosity", "0"]
    subprocess.run(words, cwd=ROOT, env=environment, check=True, timeout=300)
    # One file: nothing of it may be left in a log beside it.
    connection = sqlite3.connect(making)
    connection.execute("PRAGMA journal_mode=DELETE")
    connection.close()
    making.rename(file)
