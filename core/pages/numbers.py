"""Numbers as people type them: a point or a comma before decimals, nothing between thousands."""

from __future__ import annotations

import re
from typing import Any

from django import forms

RIGHT = "digits with at most one point or comma, such as 146 or 2,5"

_NUMBER = re.compile(r"(-?)(\d{1,9})(?:[.,](\d{1,16}))?")
_THOUSANDS = re.compile(r"-?[1-9]\d{0,2},\d{3}")


class NotANumberError(ValueError):
    """What was typed cannot be read as one number and no other; ``right`` says what can be."""

    def __init__(self, what: str, right: str) -> None:
        super().__init__(f"{what}; right: {right}")
        self.what = what
        self.right = right


def number_read(text: str, *, signed: bool = False) -> float:
    """The number that ``text`` tells, blanks around it aside.

    A comma stands for the point, but for one with three digits behind it and a leading digit
    other than 0: it may as well part thousands, so that is refused. Raises NotANumberError.
    """
    text = text.strip()
    if not text.isascii() or not (match := _NUMBER.fullmatch(text)):
        if any(text.count(sign) for sign in ".,") and text.isascii():
            digits = text.replace(",", "").replace(".", "").lstrip("-")
            if digits.isdigit():
                what = f"“{text}” has more than one point or comma"
                raise NotANumberError(what, f"{RIGHT}, and no sign between thousands")
        raise NotANumberError(f"“{text}” cannot be read as a number", RIGHT)
    if match[1] and not signed:
        raise NotANumberError(f"“{text}” cannot be read as a number", f"{RIGHT}, without a sign")
    if _THOUSANDS.fullmatch(text):
        plain = text.replace(",", "")
        right = f"{plain}, or {text.replace(',', '.')} with a point, without a comma"
        raise NotANumberError(f"“{text}” can be read in two ways", right)
    return float(f"{match[1]}{match[2]}.{match[3] or 0}")


class NumberField(forms.CharField):
    """A number as :func:`number_read` takes it, None where it stays empty.

    ``signed``: it may be below zero.
    """

    def __init__(self, *, signed: bool = False, **options: Any) -> None:
        super().__init__(max_length=20, **options)
        # A keypad of decimals has no minus on some phones.
        mode = "text" if signed else "decimal"
        self.widget.attrs |= {"inputmode": mode, "autocomplete": "off"}
        self._signed = signed

    def clean(self, value: Any) -> float | None:
        """The number."""
        text = super().clean(value).strip()
        if not text:
            return None
        try:
            return number_read(text, signed=self._signed)
        except NotANumberError as unread:
            raise forms.ValidationError(str(unread)) from unread
