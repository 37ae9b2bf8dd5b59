"""What a change of the schema would break for a client that was written against the old one."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

Document = Mapping[str, Any]

_METHODS = ("get", "post", "put", "patch", "delete")


def breaking_changes(old: Document, new: Document) -> list[str]:
    """Each difference of two OpenAPI documents that a client of the old one would notice.

    Requests may ask for no more than before, answers may say no less. Order, words, and what is
    added to answers or may be left out of requests break nothing.
    """
    return list(_Comparison(old, new).found())


class _Comparison:
    def __init__(self, old: Document, new: Document) -> None:
        self.old, self.new = old, new

    def found(self) -> Iterator[str]:
        for path, operations in self.old["paths"].items():
            for method in _METHODS:
                if method not in operations:
                    continue
                where = f"{method.upper()} {path}"
                after = self.new["paths"].get(path, {}).get(method)
                if after is None:
                    yield f"{where}: is gone"
                    continue
                yield from self._operation(where, operations[method], after)

    def _operation(self, where: str, old: Document, new: Document) -> Iterator[str]:
        yield from self._parameters(where, old, new)
        yield from self._body(where, old.get("requestBody", {}), new.get("requestBody", {}))
        for status, answer in old["responses"].items():
            if not status.startswith("2"):
                continue
            if status not in new["responses"]:
                yield f"{where}: no longer answers {status}"
                continue
            said, says = _contents(answer), _contents(new["responses"][status])
            for media_type, schema in said.items():
                if media_type not in says:
                    yield f"{where}: answer {status}: is no longer {media_type}"
                else:
                    there = f"{where}: answer {status}"
                    yield from self._answer(there, schema, says[media_type], seen=())

    def _body(self, where: str, old: Document, new: Document) -> Iterator[str]:
        if new.get("required") and not old.get("required"):
            yield f"{where}: a body is asked for"
        took, takes = _contents(old), _contents(new)
        for media_type, schema in took.items():
            if media_type not in takes:
                yield f"{where}: body: no longer {media_type}"
            else:
                yield from self._request(f"{where}: body", schema, takes[media_type], seen=())

    def _parameters(self, where: str, old: Document, new: Document) -> Iterator[str]:
        before = {(p["in"], p["name"]): p for p in old.get("parameters", ())}
        after = {(p["in"], p["name"]): p for p in new.get("parameters", ())}
        for key, parameter in before.items():
            name = f"{where}: parameter {key[1]}"
            if key not in after:
                yield f"{name} is gone"
            else:
                was, now = parameter["schema"], after[key]["schema"]
                yield from self._request(name, was, now, seen=())
        for key, parameter in after.items():
            if parameter.get("required") and not before.get(key, {}).get("required"):
                yield f"{where}: parameter {key[1]} is asked for"

    def _request(
        self, where: str, old: Document, new: Document, seen: tuple[str, ...]
    ) -> Iterator[str]:
        """What was taken has to be taken still."""
        if _name(old) in seen:
            return
        seen = (*seen, _name(old)) if _name(old) else seen
        old, new = self._resolved(old, self.old), self._resolved(new, self.new)
        yield from _narrowed(where, old, new, "no longer")
        yield from _tightened(where, old, new)
        for option in _choices(old, new):
            fits = [list(self._request(where, option, one, seen)) for one in _options(new)]
            yield from min(fits, key=len)
        was, now = old.get("properties", {}), new.get("properties", {})
        for name in sorted(set(new.get("required", ())) - set(old.get("required", ()))):
            yield f"{where}: {name} is asked for"
        for name, schema in was.items():
            if name in now:
                yield from self._request(f"{where}.{name}", schema, now[name], seen)
            elif new.get("additionalProperties") is False:
                yield f"{where}: {name} is no longer taken"
        yield from self._other_members(where, old, new, seen)
        if "items" in old and "items" in new:
            yield from self._request(f"{where}[]", old["items"], new["items"], seen)

    def _other_members(
        self, where: str, old: Document, new: Document, seen: tuple[str, ...]
    ) -> Iterator[str]:
        """Members that no name is given for: any, such as fit a schema, or none."""
        took, takes = old.get("additionalProperties", True), new.get("additionalProperties", True)
        if takes is False and took is not False:
            yield f"{where}: other members are no longer taken"
        elif isinstance(takes, Mapping) and took is not False:
            was = took if isinstance(took, Mapping) else {}
            yield from self._request(f"{where}.*", was, takes, seen)

    def _answer(
        self, where: str, old: Document, new: Document, seen: tuple[str, ...]
    ) -> Iterator[str]:
        """What was said has to be said still, and nothing else in its place."""
        if _name(old) in seen:
            return
        seen = (*seen, _name(old)) if _name(old) else seen
        old, new = self._resolved(old, self.old), self._resolved(new, self.new)
        # What an answer may hold narrows for its writer and widens for its reader.
        yield from _narrowed(where, new, old, "may now be")
        for option in _choices(new, old):
            fits = [list(self._answer(where, one, option, seen)) for one in _options(old)]
            yield from min(fits, key=len)
        was, now = old.get("properties", {}), new.get("properties", {})
        for name in sorted(set(old.get("required", ())) - set(new.get("required", ()))):
            if name in now:
                yield f"{where}: {name} may be missing"
        for name, schema in was.items():
            if name not in now:
                yield f"{where}: {name} is gone"
            else:
                yield from self._answer(f"{where}.{name}", schema, now[name], seen)
        if "items" in old and "items" in new:
            yield from self._answer(f"{where}[]", old["items"], new["items"], seen)

    def _resolved(self, schema: Document, document: Document) -> Document:
        parts: dict[str, Any] = {}
        for one in (schema, *schema.get("allOf", ())):
            reference = one.get("$ref")
            if reference is None:
                parts |= {name: value for name, value in one.items() if name != "allOf"}
            else:
                name = reference.rpartition("/")[2]
                parts |= self._resolved(document["components"]["schemas"][name], document)
        return parts


def _narrowed(where: str, wide: Document, narrow: Document, word: str) -> Iterator[str]:
    """What ``wide`` may be and ``narrow`` may not."""
    gone = _types(wide) - _types(narrow)
    if gone and _types(narrow):
        yield f"{where}: {word} {', '.join(sorted(gone))}"
    elif _types(narrow) and _is_anything(wide):
        yield f"{where}: {word} of any type"
    if "enum" in narrow and "enum" in wide:
        words = [str(value) for value in wide["enum"] if value not in narrow["enum"]]
        if words:
            yield f"{where}: {word} {', '.join(words)}"
    elif "enum" in narrow and not _has_options(wide):
        yield f"{where}: {word} any other than {', '.join(map(str, narrow['enum']))}"
    for rule in ("pattern", "format"):
        if rule in narrow and narrow[rule] != wide.get(rule) and not _has_options(wide):
            yield f"{where}: {word} of another {rule} than {narrow[rule]}"


_MOST = ("maximum", "exclusiveMaximum", "maxLength", "maxItems", "maxProperties")
_LEAST = ("minimum", "exclusiveMinimum", "minLength", "minItems", "minProperties")


def _tightened(where: str, old: Document, new: Document) -> Iterator[str]:
    for limits, sign in ((_MOST, 1), (_LEAST, -1)):
        for limit in limits:
            if limit in new and sign * new[limit] < sign * old.get(limit, sign * math.inf):
                yield f"{where}: {limit} is {new[limit]} now"
    if new.get("uniqueItems") and not old.get("uniqueItems"):
        yield f"{where}: items may no longer be alike"
    step, before = new.get("multipleOf"), old.get("multipleOf")
    if step is not None and (before is None or before % step != 0):
        yield f"{where}: multipleOf is {step} now"


def _has_options(schema: Document) -> bool:
    return "oneOf" in schema or "anyOf" in schema


def _options(schema: Document) -> Sequence[Document]:
    """The schemas of which a value fits one; where there are none the schema itself."""
    found: Sequence[Document] = schema.get("oneOf") or schema.get("anyOf") or [schema]
    return found


def _choices(wide: Document, narrow: Document) -> Sequence[Document]:
    """The options of ``wide``, each of which has to fit into one of ``narrow``."""
    return _options(wide) if _has_options(wide) or _has_options(narrow) else ()


def _is_anything(schema: Document) -> bool:
    return not (schema.keys() & {"type", "enum", "const", "oneOf", "anyOf", "$ref"})


def _types(schema: Document) -> set[str]:
    found = schema.get("type", ())
    types = {found} if isinstance(found, str) else set(found)
    if "number" in types:
        types.add("integer")
    return types


def _contents(holder: Document) -> dict[str, Document]:
    """The schema of each media type of a body or an answer."""
    return {name: told["schema"] for name, told in holder.get("content", {}).items()}


def _name(schema: Document) -> str:
    return str(schema.get("$ref", ""))
