"""The only module that reads the process environment.

Settings are named ``CLAMPLINE_*``. A value that cannot be used raises ``ImproperlyConfigured``
with the name of the setting, what was found and what would be right.
"""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured

EMBEDDED_SETTINGS = "core.settings.embedded"

_YES = frozenset({"1", "true", "yes", "on"})
_NO = frozenset({"0", "false", "no", "off", ""})


def choose_settings() -> None:
    """Use the embedded settings unless ``DJANGO_SETTINGS_MODULE`` names others."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", EMBEDDED_SETTINGS)


def text(name: str, *, default: str = "") -> str:
    """The setting ``name`` as text, without blanks around it."""
    return os.environ.get(name, default).strip()


def flag(name: str, *, default: bool) -> bool:
    """The setting ``name`` as yes or no. Raises ``ImproperlyConfigured`` for anything else."""
    found = os.environ.get(name)
    if found is None:
        return default
    word = found.strip().lower()
    if word in _YES:
        return True
    if word in _NO:
        return False
    raise ImproperlyConfigured(f"{name} is {found!r}; use 1, true, yes, on or 0, false, no, off")


def count(name: str, *, default: int) -> int:
    """The setting ``name`` as a whole number from 0 on. Raises ``ImproperlyConfigured``."""
    found = text(name)
    if not found:
        return default
    if not (found.isascii() and found.isdecimal()):
        raise ImproperlyConfigured(f"{name} is {found!r}; use a whole number from 0 on")
    return int(found)


def names(name: str, *, default: tuple[str, ...]) -> list[str]:
    """The setting ``name`` as a list of words parted by commas; absent: ``default``."""
    found = os.environ.get(name)
    if found is None:
        return list(default)
    return [word.strip() for word in found.split(",") if word.strip()]


def secret(name: str, *, default: str) -> str:
    """A secret from ``name``, or from the file that ``name`` + ``_FILE`` points to.

    Raises ``ImproperlyConfigured`` where that file cannot be read or is empty, and where both
    settings are given.
    """
    direct = text(name)
    file_name = text(f"{name}_FILE")
    if direct and file_name:
        raise ImproperlyConfigured(f"both {name} and {name}_FILE are set; keep one of them")
    if not file_name:
        return direct or default
    try:
        found = Path(file_name).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as problem:
        raise ImproperlyConfigured(
            f"{name}_FILE points to {file_name!r}, which cannot be read as text: {problem}"
        ) from problem
    if not found:
        raise ImproperlyConfigured(f"{name}_FILE points to {file_name!r}, which is empty")
    return found


def kept_secret(path: Path) -> str:
    """The secret in this file, made at the first start and readable by its owner alone."""
    try:
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(secrets.token_urlsafe(50))
    except FileExistsError:
        pass
    found = path.read_text(encoding="utf-8").strip()
    if not found:
        raise ImproperlyConfigured(f"{path} is empty; remove it and start again")
    return found


def handed_on(**more: str) -> dict[str, str]:
    """The environment for a process that is started from here, with these settings besides."""
    return {**os.environ, **more}
