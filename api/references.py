"""Things that a request names by their public ids."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from django.db.models import Model, QuerySet

from core.problems import Defect, Invalid, NotFound

_Thing = TypeVar("_Thing")
_Row = TypeVar("_Row", bound=Model)


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


def one_of(rows: QuerySet[_Row], public_id: str, word: str) -> _Row:
    """The row with this public id. Raises NotFound, which calls it by ``word``."""
    found = rows.filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no {word} {public_id}.")
    return found
