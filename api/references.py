"""Things that a request names by their public ids."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from core.problems import Defect, Invalid, NotFound

_Thing = TypeVar("_Thing")


def named(find: Callable[[str], _Thing], public_id: str | None, pointer: str) -> _Thing | None:
    """The thing; None where none is named.

    Raises Invalid with the pointer where it is not there: what is missing is not the address.
    """
    if public_id is None:
        return None
    try:
        return find(public_id)
    except NotFound as missing:
        defect = Defect(pointer, missing.detail)
        raise Invalid("Something that is named is not there.", defects=[defect]) from missing
