"""What a change of the schema would break for a client that was written against the old one."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
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
        was, now = _body(old.get("requestBody")), _body(new.get("requestBody"))
        if was is not None and now is not None:
            yield from self._request(f"{where}: body", was, now, seen=())
        for status, answer in old["responses"].items():
            if not status.startswith("2"):
                continue
            if status not in new["responses"]:
                yield f"{where}: no longer answers {status}"
                continue
            said, says = _body(answer), _body(new["responses"][status])
            if said is not None and says is not None:
                yield from self._answer(f"{where}: answer {status}", said, says, seen=())

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
        was, now = old.get("properties", {}), new.get("properties", {})
        for name in sorted(set(new.get("required", ())) - set(old.get("required", ()))):
            yield f"{where}: {name} is asked for"
        for name, schema in was.items():
            if name in now:
                yield from self._request(f"{where}.{name}", schema, now[name], seen)
            elif new.get("additionalProperties") is False:
                yield f"{where}: {name} is no longer taken"
        if "items" in old and "items" in new:
            yield from self._request(f"{where}[]", old["items"], new["items"], seen)

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
    if "enum" in narrow and "enum" in wide:
        words = [str(value) for value in wide["enum"] if value not in narrow["enum"]]
        if words:
            yield f"{where}: {word} {', '.join(words)}"


def _tightened(where: str, old: Document, new: Document) -> Iterator[str]:
    for limit, sign in (("maxLength", 1), ("maximum", 1), ("maxItems", 1), ("minLength", -1)):
        before = sign * old.get(limit, sign * math.inf)
        if limit in new and sign * new[limit] < before:
            yield f"{where}: {limit} is {new[limit]} now"


def _types(schema: Document) -> set[str]:
    found = schema.get("type", ())
    types = {found} if isinstance(found, str) else set(found)
    if "number" in types:
        types.add("integer")
    return types


def _body(holder: Document | None) -> Document | None:
    for media_type in (holder or {}).get("content", {}).values():
        found: Document = media_type["schema"]
        return found
    return None


def _name(schema: Document) -> str:
    return str(schema.get("$ref", ""))
