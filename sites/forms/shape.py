"""Documents held against a JSON Schema, and what does not fit told in plain words.

A schema file may say what a value should be in its ``description``; that is what a defect
then gives as right.
"""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator, ValidationError
from jsonschema.validators import extend
from referencing import Registry, Resource

from sites.forms.defects import Defect, first_of, pointer_to, shown
from sites.forms.quick import Fits, is_integer, is_number, quick_check

Schema = dict[str, Any]
Words = Callable[[ValidationError], Iterator[Defect]]

_MOST_UNKNOWN = 100

_TYPE_WORDS = {
    "object": "an object { … }",
    "array": "a list [ … ]",
    "string": "text in quotes",
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
    "null": "null",
}


@cache
def validator(schema_file: Path, *folders: Path) -> Draft202012Validator:
    """The validator of a schema file; its references are looked up in ``folders`` alone.

    NaN and the infinities are no numbers to it.
    Raises jsonschema.SchemaError where the schema itself is wrong.
    """
    registry: Registry[Any] = Registry()
    for folder in (schema_file.parent, *folders):
        for beside in sorted(folder.glob("*.schema.json")):
            registry = Resource.from_contents(_schema(beside)) @ registry
    name = _schema(schema_file)["$id"]
    found = registry.resolver().lookup(name)
    schema = _joined(found.contents, found.resolver)
    types = Draft202012Validator.TYPE_CHECKER.redefine_many(
        {
            "number": lambda _, value: is_number(value),
            "integer": lambda _, value: is_integer(value),
        }
    )
    strict = extend(  # type: ignore[no-untyped-call]  # the stubs leave it without types
        Draft202012Validator, validators={"items": _items_by(schema)}, type_checker=types
    )
    checker: Draft202012Validator = strict(schema)
    return checker


def _joined(schema: Any, resolver: Any) -> Any:
    """The schema with what it refers to put in its place; none here refers to itself."""
    if isinstance(schema, list):
        return [_joined(part, resolver) for part in schema]
    if not isinstance(schema, dict):
        return schema
    whole = {
        name: _joined(part, resolver)
        for name, part in schema.items()
        if name not in ("$ref", "$defs", "$id", "$schema")
    }
    if "$ref" in schema:
        found = resolver.lookup(schema["$ref"])
        whole = _joined(found.contents, found.resolver) | whole
    return whole


def _items_by(schema: Schema) -> Callable[..., Iterator[ValidationError]]:
    """The keyword ``items``, which looks closer only at entries that do not fit at first sight."""
    quick: dict[int, Fits | None] = {}

    def find(part: Any) -> None:
        if isinstance(part, dict) and isinstance(part.get("items"), dict):
            quick[id(part["items"])] = quick_check(part["items"])
        for inner in part.values() if isinstance(part, dict) else part:
            if isinstance(inner, dict | list):
                find(inner)

    find(schema)

    def items(
        checker: Draft202012Validator, wanted: Schema, instance: Any, around: Schema
    ) -> Iterator[ValidationError]:
        fits = quick.get(id(wanted))
        entries = instance if isinstance(instance, list) else []
        # A list that is too long is told as such; its entries past the limit are not.
        for place, entry in enumerate(entries[: around.get("maxItems")]):
            if fits is None or not fits(entry):
                yield from checker.descend(entry, wanted, path=place)

    return items


def shape_defects(document: object, checker: Draft202012Validator) -> list[Defect]:
    """Everything in which the document does not fit the schema, each defect once.

    Past ``MOST_DEFECTS`` and one, looking ends.
    """
    return first_of(_each_once(_told(checker.iter_errors(document))))


def _each_once(defects: Iterable[Defect]) -> Iterator[Defect]:
    """Two keywords may find one fault: an empty id is too short and has not the right form."""
    found: set[tuple[str, str]] = set()
    for defect in defects:
        if (key := (defect.pointer, defect.right)) not in found:
            found.add(key)
            yield defect


@cache
def _schema(schema_file: Path) -> Schema:
    """A schema that is one; checking takes far longer than reading, so it is done once."""
    contents: Schema = json.loads(schema_file.read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(contents)
    return contents


def _told(errors: Iterable[ValidationError]) -> Iterator[Defect]:
    for error in errors:
        yield from _WORDS.get(str(error.validator), _tell_other)(error)


def _wanted(error: ValidationError) -> Any:
    """What the schema's keyword says."""
    return error.validator_value


def _given(error: ValidationError) -> Any:
    """The value that does not fit."""
    return error.instance


def _pointer(error: ValidationError, *more: str | int) -> str:
    return pointer_to(*error.absolute_path, *more)


def _described(error: ValidationError, otherwise: str) -> str:
    schema = error.schema
    return str(schema.get("description", otherwise)) if isinstance(schema, dict) else otherwise


def _tell_type(error: ValidationError) -> Iterator[Defect]:
    wanted = _wanted(error)
    names = [wanted] if isinstance(wanted, str) else wanted
    words = " or ".join(_TYPE_WORDS[name] for name in names)
    value = _given(error)
    if isinstance(value, float) and not math.isfinite(value):
        what = "this is not a finite number"
    else:
        what = f"{shown(value)} is not {words}"
    yield Defect(_pointer(error), what, _described(error, words))


def _tell_required(error: ValidationError) -> Iterator[Defect]:
    """One defect for each missing member; the library raises one error for each as well."""
    have = _given(error)
    for name in _wanted(error):
        if name not in have:
            yield Defect(_pointer(error, name), f"{name} is missing", f"give {name}")


def _tell_unknown(error: ValidationError) -> Iterator[Defect]:
    known = list(error.schema.get("properties", ())) if isinstance(error.schema, dict) else []
    unknown = [name for name in _given(error) if name not in known]
    if len(unknown) > _MOST_UNKNOWN:
        what = f"{len(unknown)} fields are not known here; the first {_MOST_UNKNOWN} are named"
        yield Defect(_pointer(error), what, f"known are {', '.join(known)}")
    for name in unknown[:_MOST_UNKNOWN]:
        close = difflib.get_close_matches(str(name), known, n=1)
        right = f"perhaps {close[0]}; " if close else ""
        yield Defect(
            _pointer(error, name),
            f"the field {shown(name)} is not known here",
            f"{right}known are {', '.join(known)}",
        )


def _tell_choice(error: ValidationError) -> Iterator[Defect]:
    choices = ", ".join(shown(choice) for choice in _wanted(error))
    right = _described(error, f"one of {choices}")
    yield Defect(_pointer(error), f"{shown(_given(error))} is not one of the choices", right)


def _tell_fixed(error: ValidationError) -> Iterator[Defect]:
    right = shown(_wanted(error))
    yield Defect(_pointer(error), f"{shown(_given(error))} is not {right}", right)


def _tell_range(error: ValidationError) -> Iterator[Defect]:
    low = str(error.validator).lower().endswith("minimum")
    what = f"{shown(_given(error))} is too {'small' if low else 'large'}"
    words = {
        "minimum": "at least",
        "maximum": "at most",
        "exclusiveMinimum": "above",
        "exclusiveMaximum": "below",
    }[str(error.validator)]
    right = f"a number {words} {_wanted(error)}"
    yield Defect(_pointer(error), what, _described(error, right))


def _tell_count(error: ValidationError) -> Iterator[Defect]:
    few = error.validator in ("minItems", "minLength", "minProperties")
    count = len(_given(error))
    limit = f"{'at least' if few else 'at most'} {_wanted(error)}"
    if isinstance(_given(error), str):
        right = _described(error, f"{limit} characters")
        yield Defect(_pointer(error), f"this text has {count} characters", right)
    else:
        right = _described(error, f"{limit} entries")
        yield Defect(_pointer(error), f"there are {count} entries here", right)


def _tell_pattern(error: ValidationError) -> Iterator[Defect]:
    right = _described(error, "text of another form")
    yield Defect(_pointer(error), f"{shown(_given(error))} does not have the right form", right)


def _tell_one_of(error: ValidationError) -> Iterator[Defect]:
    """For a ``oneOf`` that says which one of several members must be there."""
    if not isinstance(_given(error), dict):
        return  # that it is no object at all is told already
    names = [name for option in _wanted(error) for name in option.get("required", ())]
    given = [name for name in names if name in _given(error)]
    none = f"none of {', '.join(names)} is given"
    what = f"{' and '.join(given)} stand together" if given else none
    right = _described(error, f"exactly one of {', '.join(names)}")
    yield Defect(_pointer(error), what, right)


def _tell_dependent(error: ValidationError) -> Iterator[Defect]:
    for name, needed in _wanted(error).items():
        missing = [other for other in needed if other not in _given(error)]
        if name in _given(error) and missing:
            words = " and ".join(missing)
            yield Defect(_pointer(error, name), f"{name} needs {words}", f"give {words} with it")


def _tell_other(error: ValidationError) -> Iterator[Defect]:
    yield Defect(_pointer(error), "this does not fit the form", _described(error, "see the form"))


_WORDS: dict[str, Words] = {
    "type": _tell_type,
    "required": _tell_required,
    "additionalProperties": _tell_unknown,
    "enum": _tell_choice,
    "const": _tell_fixed,
    "minimum": _tell_range,
    "maximum": _tell_range,
    "exclusiveMinimum": _tell_range,
    "exclusiveMaximum": _tell_range,
    "minItems": _tell_count,
    "maxItems": _tell_count,
    "minLength": _tell_count,
    "maxLength": _tell_count,
    "pattern": _tell_pattern,
    "oneOf": _tell_one_of,
    "dependentRequired": _tell_dependent,
}
