"""Fields of forms about planning: words, counts of parts, weekly hours."""

from __future__ import annotations

import re
from typing import Any

from django import forms

from faults.hours_words import read_hours_words

Document = dict[str, Any]

_PART = re.compile(r"(\d{1,5}) (.+)")


class WordsField(forms.CharField):
    """Words parted by commas."""

    def clean(self, value: Any) -> list[str]:
        """The words, each once."""
        text = super().clean(value) or ""
        return list(dict.fromkeys(one.strip() for one in text.split(",") if one.strip()))


class PartsField(forms.CharField):
    """Counts of parts parted by commas: ``4 splice kit, 1 decoder``."""

    def clean(self, value: Any) -> dict[str, int]:
        """Counts by word."""
        found = {}
        for one in filter(None, map(str.strip, (super().clean(value) or "").split(","))):
            read = _PART.fullmatch(one)
            if read is None:
                raise forms.ValidationError(f"“{one}” does not fit; right: 4 splice kit, 1 decoder")
            found[read[2]] = int(read[1])
        return found


class HoursField(forms.CharField):
    """Weekly hours, a line for days that are alike."""

    widget = forms.Textarea

    def clean(self, value: Any) -> list[Document]:
        """Rows in the words of ``faults.crew_hours``."""
        try:
            return read_hours_words(super().clean(value) or "")
        except ValueError as unread:
            raise forms.ValidationError(str(unread)) from unread
