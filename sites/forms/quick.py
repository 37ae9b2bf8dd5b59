"""Whether a value fits a schema, answered fast and without saying why.

A list of 20,000 entries takes the schema library some ten seconds, for it prepares to explain
each of a million small checks. Here the common keywords become plain closures; an entry that
does not fit, or whose schema has a keyword not known here, goes to the library.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

Fits = Callable[[Any], bool]
Schema = dict[str, Any]

_SAYS_NOTHING = frozenset({"description", "title", "$schema", "$id", "$defs"})


def is_number(value: object) -> bool:
    """A finite number; true and false are none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return isinstance(value, int) or math.isfinite(value)


def is_integer(value: object) -> bool:
    """A whole number, also one written 7.0."""
    if isinstance(value, float):
        return value.is_integer()
    return isinstance(value, int) and not isinstance(value, bool)


_TYPES: dict[str, Fits] = {
    "object": lambda value: isinstance(value, dict),
    "array": lambda value: isinstance(value, list),
    "string": lambda value: isinstance(value, str),
    "boolean": lambda value: isinstance(value, bool),
    "null": lambda value: value is None,
    "number": is_number,
    "integer": is_integer,
}


def quick_check(schema: Schema) -> Fits | None:
    """A function that is true for exactly the values that fit a schema without references.

    None where the schema has a keyword that is not known here.
    """
    checks: list[Fits] = []
    for keyword, wanted in schema.items():
        if keyword in _SAYS_NOTHING or keyword in ("then", "additionalProperties"):
            continue
        check = _check(keyword, wanted, schema)
        if check is None:
            return None
        checks.append(check)
    if "additionalProperties" in schema and schema["additionalProperties"] is not False:
        return None
    if schema.get("additionalProperties") is False:
        checks.append(_no_more_than(frozenset(schema.get("properties", ()))))
    return _all(checks)


def _all(checks: list[Fits]) -> Fits:
    if len(checks) == 1:
        return checks[0]
    fixed = tuple(checks)

    def fits(value: Any) -> bool:
        for check in fixed:  # noqa: SIM110 - a generator costs a third of the time
            if not check(value):
                return False
        return True

    return fits


def _check(keyword: str, wanted: Any, schema: Schema) -> Fits | None:
    if keyword == "if":
        return _conditional(wanted, schema.get("then", {}))
    if keyword == "properties":
        return _members(wanted)
    make = _SIMPLE.get(keyword)
    return None if make is None else make(wanted)


def _of_type(wanted: str | list[str]) -> Fits:
    if isinstance(wanted, str):
        return _TYPES[wanted]
    some = tuple(_TYPES[name] for name in wanted)
    return lambda value: any(one(value) for one in some)


def _one_of(choices: list[Any]) -> Fits:
    # JSON tells true from 1; Python's equality does not.
    kinds = {(type(choice), choice) for choice in choices}

    def fits(value: Any) -> bool:
        return isinstance(value, str | bool | None) and (type(value), value) in kinds

    return fits


def _texts_only(choices: list[Any]) -> Fits | None:
    plain = all(isinstance(choice, str | bool) for choice in choices)
    return _one_of(choices) if plain else None


def _number(test: Callable[[Any], bool]) -> Fits:
    return lambda value: not is_number(value) or test(value)


def _text(test: Callable[[str], object]) -> Fits:
    return lambda value: not isinstance(value, str) or bool(test(value))


def _list(test: Callable[[list[Any]], bool]) -> Fits:
    return lambda value: not isinstance(value, list) or test(value)


def _pattern(wanted: str) -> Fits:
    search = re.compile(wanted).search
    return _text(search)


def _required(names: list[str]) -> Fits:
    return lambda value: not isinstance(value, dict) or all(name in value for name in names)


def _no_more_than(names: frozenset[str]) -> Fits:
    return lambda value: not isinstance(value, dict) or names.issuperset(value)


def _members(schemas: dict[str, Schema]) -> Fits | None:
    checks: dict[str, Fits] = {}
    for name, schema in schemas.items():
        check = quick_check(schema)
        if check is None:
            return None
        checks[name] = check

    def fits(value: Any) -> bool:
        if isinstance(value, dict):
            for name, inner in value.items():
                check = checks.get(name)
                if check is not None and not check(inner):
                    return False
        return True

    return fits


def _entries(schema: Schema) -> Fits | None:
    check = quick_check(schema)
    if check is None:
        return None
    return lambda value: not isinstance(value, list) or all(map(check, value))


def _conditional(condition: Schema, consequence: Schema) -> Fits | None:
    holds, then = quick_check(condition), quick_check(consequence)
    if holds is None or then is None:
        return None
    return lambda value: not holds(value) or then(value)


_SIMPLE: dict[str, Callable[[Any], Fits | None]] = {
    "type": _of_type,
    "enum": _texts_only,
    "const": lambda wanted: _texts_only([wanted]),
    "minimum": lambda low: _number(lambda value: value >= low),
    "maximum": lambda high: _number(lambda value: value <= high),
    "exclusiveMinimum": lambda low: _number(lambda value: value > low),
    "exclusiveMaximum": lambda high: _number(lambda value: value < high),
    "minLength": lambda least: _text(lambda value: len(value) >= least),
    "maxLength": lambda most: _text(lambda value: len(value) <= most),
    "minItems": lambda least: _list(lambda value: len(value) >= least),
    "maxItems": lambda most: _list(lambda value: len(value) <= most),
    "pattern": _pattern,
    "required": _required,
    "items": _entries,
}
