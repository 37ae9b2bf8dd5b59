"""/photos, and taking them in: pictures of repairs and removed parts, as raw bodies."""

from __future__ import annotations

from collections.abc import Mapping
from typing import IO, Any

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from rest_framework.parsers import BaseParser
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import Answer, described
from api.faults.photo_forms import OnePhotoDocument
from api.faults.removed_parts import removed_part_get
from api.parsing import limited_bytes
from api.resource import Resource
from api.strict import Choice, QuerySerializer, read_query
from api.throttles import HEAVY
from core.attachment import attachment
from faults.models.repair import PhotoMoment, RemovedPart, Repair
from faults.selectors.repairs import photo_get, repair_get
from faults.services.photos import MOST_BYTES, photo_add, photo_content


class _PictureParser(BaseParser):
    """A picture as bytes: what it is goes by these, not by its media type."""

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,  # noqa: ARG002 - the framework's form
        parser_context: Mapping[str, Any] | None = None,  # noqa: ARG002
    ) -> Any:
        """The bytes. Raises TooLarge."""
        return limited_bytes(stream, MOST_BYTES)


class JpegParser(_PictureParser):
    """A JPEG picture."""

    media_type = "image/jpeg"


class PngParser(_PictureParser):
    """A PNG picture."""

    media_type = "image/png"


class WebpParser(_PictureParser):
    """A WebP picture."""

    media_type = "image/webp"


PICTURES = [JpegParser, PngParser, WebpParser]
_BODY: Any = {(parser.media_type): OpenApiTypes.BINARY for parser in PICTURES}


class PartPhotoQuery(QuerySerializer):
    """When the photo was taken."""

    moment = Choice(choices=[PhotoMoment.BEFORE_OPENING.value, PhotoMoment.AFTER_OPENING.value])


class RepairPhotos(Resource):
    """Photos of a repair."""

    limit_name = HEAVY
    parser_classes = PICTURES

    @described("repair_photo", "Add a photo of a repair", Answer(OnePhotoDocument, 201), body=_BODY)
    def post(self, request: Request, public_id: str) -> Response:
        """The body is the picture itself: JPEG, PNG or WebP, at most 8 MiB and 50 megapixels."""
        repair = repair_get(public_id)
        return self._added(request, repair, PhotoMoment.REPAIR)

    def _added(self, request: Request, of: Repair | RemovedPart, moment: str) -> Response:
        # Without a body the framework gives an empty document.
        data: Any = request.data
        content = data if isinstance(data, bytes) else b""
        photo = photo_add(of=of, moment=moment, content=content, by=self.actor)
        return Response(OnePhotoDocument(photo).data, 201)


class RemovedPartPhotos(RepairPhotos):
    """Photos of a removed part."""

    @described(
        "removed_part_photo",
        "Add a photo of a removed part",
        Answer(OnePhotoDocument, 201),
        query=PartPhotoQuery,
        body=_BODY,
    )
    def post(self, request: Request, public_id: str) -> Response:
        """Before or after it was opened; the body is the picture itself, as with repairs."""
        part = removed_part_get(public_id)
        return self._added(request, part, read_query(request, PartPhotoQuery)["moment"])


class OnePhoto(Resource):
    """A photo."""

    @described("photo", "A photo", Answer(OnePhotoDocument))
    def get(self, request: Request, public_id: str) -> Response:  # noqa: ARG002
        """What is known of it; the picture is at `/content`."""
        return Response(OnePhotoDocument(photo_get(public_id)).data)


class PhotoContent(Resource):
    """The picture of a photo."""

    limit_name = HEAVY

    @described(
        "photo_content",
        "The picture of a photo",
        Answer(OpenApiTypes.BINARY, media_type="image/*"),
    )
    def get(self, request: Request, public_id: str) -> HttpResponse:  # noqa: ARG002
        """To be saved, not shown: an attachment of the kind that its bytes are. 410: it is lost."""
        photo = photo_get(public_id)
        ending = photo.file_name.rpartition(".")[2]
        return attachment(photo_content(photo), photo.media_type, f"{photo.public_id}.{ending}")
