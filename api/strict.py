"""Bodies and queries, taken as they are meant or refused: no member ignored, no type bent.

The framework's own fields take ``"3"`` for a number and ``true`` for a text; these do not.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Mapping
from typing import Any, TypeVar

from django.core.validators import RegexValidator
from django.http import QueryDict
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError
from rest_framework.request import Request
from rest_framework.settings import api_settings

from core.clock import FIRST_DAY, LAST_DAY, is_ordinary

MOST_WHOLE = 2**31 - 1
MOST_NUMBER = 1e15

_RFC_3339 = re.compile(
    r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d{1,9})?([Zz]|[+-]([01]\d|2[0-3]):[0-5]\d)"
)
_DAY = re.compile(r"\d{4}-\d\d-\d\d")


class StrictSerializer(serializers.Serializer[Any]):
    """An object of exactly these members."""

    def to_internal_value(self, data: Any) -> Any:
        """The members. Raises ValidationError for what is no object and for unknown members."""
        if not isinstance(data, Mapping):
            unfit = [ErrorDetail("is no object; an object is expected")]
            raise ValidationError({api_settings.NON_FIELD_ERRORS_KEY: unfit})
        errors = dict(self.unknown(data))
        try:
            found = super().to_internal_value(data)
        except ValidationError as refused:
            if not isinstance(refused.detail, Mapping):
                raise
            errors |= refused.detail
        if errors:
            raise ValidationError(errors)
        return found

    def unknown(self, data: Mapping[Any, Any]) -> Iterator[tuple[str, Any]]:
        """Members that are not of this form, each with what is wrong."""
        known = [name for name, field in self.fields.items() if not field.read_only]
        told = f"is not taken here; known are {', '.join(known) or 'none'}"
        yield from ((str(name), [ErrorDetail(told)]) for name in data if name not in known)


class QuerySerializer(StrictSerializer):
    """The parameters of an address; all of them are text, each is given once."""

    def get_fields(self) -> dict[str, Any]:
        """The fields, their errors saying what would be right."""
        fields: dict[str, Any] = super().get_fields()
        for field in fields.values():
            if isinstance(field, serializers.ChoiceField):
                words = ", ".join(str(word) for word in field.choices)
                field.error_messages["invalid_choice"] = f"is not one of: {words}"
            elif isinstance(field, serializers.BooleanField):
                field.error_messages["invalid"] = "is neither true nor false"
        return fields


class Text(serializers.CharField):
    """A text, without blanks around it."""

    def to_internal_value(self, data: Any) -> str:
        """The text. Raises ValidationError for anything else."""
        if not isinstance(data, str):
            raise ValidationError("is no text; a text is expected")
        return super().to_internal_value(data)


class Secret(Text):
    """A text that is kept as it is and never written out."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**{"write_only": True, "trim_whitespace": False} | options)


class Whole(serializers.IntegerField):
    """A whole number, from 0 unless told otherwise."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**{"min_value": 0, "max_value": MOST_WHOLE} | options)

    def to_internal_value(self, data: Any) -> int:
        """The number. Raises ValidationError for text, truth values and fractions."""
        if isinstance(data, bool) or not isinstance(data, int):
            raise ValidationError("is no whole number; a whole number is expected")
        return data


class Number(serializers.FloatField):
    """A number."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**{"min_value": -MOST_NUMBER, "max_value": MOST_NUMBER} | options)

    def to_internal_value(self, data: Any) -> float:
        """The number. Raises ValidationError for text and truth values."""
        if isinstance(data, bool) or not isinstance(data, int | float):
            raise ValidationError("is no number; a number is expected")
        try:
            return float(data)
        except OverflowError:
            raise ValidationError("is too large") from None


class Money(Text):
    """An amount as a text such as ``"12.50"``, for a number would lose pence."""

    def __init__(self, **options: Any) -> None:
        form = RegexValidator(r"^[0-9]{1,8}(\.[0-9]{1,2})?$", 'is no amount of the form "12.50"')
        super().__init__(max_length=11, validators=[form], **options)


class Flag(serializers.BooleanField):
    """true or false."""

    def to_internal_value(self, data: Any) -> bool:
        """The truth value. Raises ValidationError for words and numbers."""
        if not isinstance(data, bool):
            raise ValidationError("is neither true nor false")
        return data


class Choice(serializers.ChoiceField):
    """One word of a list."""

    def to_internal_value(self, data: Any) -> Any:
        """The word. Raises ValidationError with the list for any other."""
        words = ", ".join(str(word) for word in self.choices)
        if not isinstance(data, str) or data not in self.choices:
            raise ValidationError(f"is not one of: {words}")
        return data


class Moment(serializers.DateTimeField):
    """A time with its offset from UTC (RFC 3339)."""

    def to_internal_value(self, value: Any) -> dt.datetime:
        """The time in UTC. Raises ValidationError for a time without an offset."""
        if not isinstance(value, str) or _RFC_3339.fullmatch(value) is None:
            raise ValidationError("is no time of the form 2025-04-02T08:15:00Z")
        try:
            moment = dt.datetime.fromisoformat(value.upper()).astimezone(dt.UTC)
        except (ValueError, OverflowError):
            raise ValidationError("is a time that does not exist") from None
        return _ordinary(moment)


class Day(serializers.DateField):
    """A day (RFC 3339, full-date)."""

    def to_internal_value(self, value: Any) -> dt.date:
        """The day. Raises ValidationError for anything else."""
        if not isinstance(value, str) or _DAY.fullmatch(value) is None:
            raise ValidationError("is no day of the form 2025-04-02")
        try:
            day = dt.date.fromisoformat(value)
        except ValueError:
            raise ValidationError("is a day that does not exist") from None
        return _ordinary(day)


_When = TypeVar("_When", bound=dt.date)


def _ordinary(when: _When) -> _When:
    if not is_ordinary(when):
        span = f"{FIRST_DAY.year} to {LAST_DAY.year}"
        raise ValidationError(f"is out of range; right: a year from {span}")
    return when


class JsonObject(serializers.JSONField):
    """An object whose members a form of its own checks."""

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        """The object. Raises ValidationError for anything else."""
        if not isinstance(data, dict):
            raise ValidationError("is no object; an object is expected")
        return data


class AnyJson(serializers.JSONField):
    """Whatever JSON has, null too; a form of its own checks it."""

    def run_validation(self, data: Any = serializers.empty) -> Any:
        """The value as it came."""
        return None if data is None else super().run_validation(data)


class PublicId(Text):
    """The public id of a thing, told by its prefix."""

    def __init__(self, prefix: str, **options: Any) -> None:
        self.prefix = prefix
        self.form = re.compile(rf"{prefix}_[0-9a-z]{{26}}")
        super().__init__(max_length=40, **options)

    def to_internal_value(self, data: Any) -> str:
        """The id. Raises ValidationError for what cannot be one."""
        found = super().to_internal_value(data)
        if self.form.fullmatch(found) is None:
            raise ValidationError(
                f"is no id; it starts with {self.prefix}_ and 26 characters follow"
            )
        return found


_Serializer = TypeVar("_Serializer", bound=StrictSerializer)


def read_body(request: Request, form: type[_Serializer]) -> dict[str, Any]:
    """The body as this form has it. Raises ValidationError with every defect."""
    return _read(form(data=request.data))


def read_query(request: Request, form: type[QuerySerializer]) -> dict[str, Any]:
    """The parameters of the address. Raises ValidationError with every defect."""
    given: QueryDict = request._request.GET  # noqa: SLF001 - the framework's own name for it is untyped
    errors = {
        name: [ErrorDetail("is given more than once")]
        for name, values in given.lists()
        if len(values) > 1
    }
    if errors:
        raise ValidationError({f"?{name}": told for name, told in errors.items()})
    try:
        return _read(form(data=dict(given.items())))
    except ValidationError as refused:
        if isinstance(refused.detail, Mapping):
            raise ValidationError({f"?{k}": v for k, v in refused.detail.items()}) from refused
        raise


def refuse_unknown_parameters(request: Request, form: type[QuerySerializer]) -> None:
    """Where a parameter of the address is not of this form, raise ValidationError with every
    defect."""
    given: QueryDict = request._request.GET  # noqa: SLF001 - the framework's own name for it is untyped
    if any(form().unknown(given)):
        read_query(request, form)


def _read(serializer: StrictSerializer) -> dict[str, Any]:
    serializer.is_valid(raise_exception=True)
    found: dict[str, Any] = serializer.validated_data
    return found
