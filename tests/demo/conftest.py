"""What the demo's tests share."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder that PostgreSQL's user can go through, where that is another one than this."""
    for parent in (tmp_path, *tmp_path.parents[:3]):
        if parent.owner() == tmp_path.owner() and parent.parent != parent:
            parent.chmod(parent.stat().st_mode | 0o011)
    return tmp_path
