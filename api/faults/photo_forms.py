"""What is told of a photo."""

from __future__ import annotations

from rest_framework import serializers

from faults.models.repair import Photo, PhotoMoment


class PhotoDocument(serializers.Serializer[Photo]):
    """What is known of a photo; the picture itself is at `/photos/{id}/content`."""

    id = serializers.CharField(source="public_id")
    moment = serializers.CharField(help_text=f"One of {', '.join(PhotoMoment)}.")
    media_type = serializers.CharField(help_text="By what is in it.")
    size_bytes = serializers.IntegerField()
    width_px = serializers.IntegerField()
    height_px = serializers.IntegerField()
    sha256 = serializers.CharField()
    at = serializers.DateTimeField()
    by_name = serializers.CharField()


class OnePhotoDocument(PhotoDocument):
    """A photo and what it shows."""

    call = serializers.CharField(source="call.public_id")
    repair = serializers.CharField(source="repair.public_id", allow_null=True, default=None)
    removed_part = serializers.CharField(source="part.public_id", allow_null=True, default=None)
