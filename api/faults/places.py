"""Places on a wire path in the words of the forms."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from api.strict import Flag, StrictSerializer, Text

_MOST = 64


class PlaceNew(StrictSerializer):
    """One place on the path's newest map, by one of its ids; no member: not on the path."""

    device = Text(max_length=_MOST, required=False)
    splice = Text(max_length=_MOST, required=False)
    segment = Text(max_length=_MOST, required=False)
    unmapped = Text(max_length=_MOST, required=False)
    controller = Flag(required=False, help_text="True: at the controller.")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """Raise ValidationError where it is more than one place, or none in so many words."""
        if len(attrs) > 1:
            raise serializers.ValidationError("is more than one place")
        if attrs.get("controller") is False:
            raise serializers.ValidationError({"controller": "is true, or left out"})
        return attrs


class PlaceLeftOff(StrictSerializer):
    """A part that is left off: one of these."""

    leg = Text(max_length=_MOST, required=False, help_text="A segment at the controller.")
    device = Text(max_length=_MOST, required=False)
    splice = Text(max_length=_MOST, required=False)
    segment = Text(max_length=_MOST, required=False)
    unmapped = Text(max_length=_MOST, required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """Raise ValidationError where it is not one place."""
        if len(attrs) != 1:
            raise serializers.ValidationError("is not one place")
        return attrs
