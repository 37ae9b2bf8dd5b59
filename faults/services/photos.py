"""Photos of repairs and removed parts: taken in by what they are, kept under random names."""

from __future__ import annotations

import hashlib
import secrets
from pathlib import Path

from django.conf import settings
from django.db import transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one
from core.problems import Conflict, Defect, Gone, Invalid, TooLarge
from faults.models.call import FaultCall
from faults.models.repair import Photo, PhotoMoment, RemovedPart, Repair
from faults.photo_content import NoPictureError, Picture, read_picture
from faults.photo_metadata import without_metadata

MOST_BYTES = 8 * 1024 * 1024
MOST_PIXELS = 50_000_000
MOST_PHOTOS = 12
"""Of one repair or part."""

_OF_PART = (PhotoMoment.BEFORE_OPENING, PhotoMoment.AFTER_OPENING)


def photo_add(*, of: Repair | RemovedPart, moment: str, content: bytes, by: Actor) -> Photo:
    """A photo of a repair, or of a removed part before or after it was opened.

    Kept without what the camera wrote into it of where and when it was taken. The file is written
    first and goes again where the row cannot be stored. Run outside a transaction. Raises
    TooLarge, Invalid where it is no picture of a kind that is taken, Conflict where there are 12
    already.
    """
    picture = _checked(of, moment, content)
    content = _bare(content)
    name = f"photos/{secrets.token_hex(1)}/{secrets.token_hex(20)}.{picture.ending}"
    path = _file(name)
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("xb") as file:
        file.write(content)
    try:
        return _stored(of, moment, content, picture, name, by)
    except BaseException:
        path.unlink(missing_ok=True)
        raise


def photo_digest(content: bytes) -> str:
    """The SHA-256 under which a photo with this content is kept. Raises Invalid."""
    return hashlib.sha256(_bare(content)).hexdigest()


def photo_content(photo: Photo) -> bytes:
    """The bytes of a photo. Raises Gone where its file is not there any more."""
    try:
        return _file(photo.file_name).read_bytes()
    except OSError:
        raise Gone(f"The file of the photo {photo.public_id} is not there.") from None


def _checked(of: Repair | RemovedPart, moment: str, content: bytes) -> Picture:
    if len(content) > MOST_BYTES:
        raise TooLarge(f"The photo has {len(content)} bytes; send at most {MOST_BYTES}.")
    right = (PhotoMoment.REPAIR,) if isinstance(of, Repair) else _OF_PART
    if moment not in right:
        defect = Defect("/moment", f"{moment[:40]!r} does not fit", f"one of {', '.join(right)}")
        raise Invalid("The photo does not fit.", defects=[defect])
    try:
        picture = read_picture(content)
    except NoPictureError as problem:
        raise _unfit(problem) from problem
    if picture.width_px * picture.height_px > MOST_PIXELS:
        raise TooLarge(
            f"The photo has {picture.width_px} × {picture.height_px} pixels; "
            f"at most {MOST_PIXELS} are taken."
        )
    return picture


def _bare(content: bytes) -> bytes:
    try:
        read_picture(content)
        return without_metadata(content)
    except NoPictureError as problem:
        raise _unfit(problem) from problem


def _unfit(problem: NoPictureError) -> Invalid:
    defect = Defect("/content", str(problem), "a JPEG, PNG or WebP picture")
    return Invalid("The photo does not fit.", defects=[defect])


def _file(name: str) -> Path:
    return Path(settings.MEDIA_ROOT) / name


@transaction.atomic
def _stored(
    of: Repair | RemovedPart,
    moment: str,
    content: bytes,
    picture: Picture,
    name: str,
    by: Actor,
) -> Photo:
    locked_one(FaultCall(pk=of.call_id))
    about = {"repair": of} if isinstance(of, Repair) else {"part": of}
    if Photo.objects.filter(**about).count() >= MOST_PHOTOS:
        raise Conflict(f"There are {MOST_PHOTOS} photos of this already.")
    photo = Photo(
        call_id=of.call_id,
        moment=moment,
        file_name=name,
        media_type=picture.media_type,
        size_bytes=len(content),
        width_px=picture.width_px,
        height_px=picture.height_px,
        sha256=hashlib.sha256(content).hexdigest(),
        at=now(),
        by_name=by.name,
        **about,
    )
    photo.save()
    change_record(
        by=by,
        action="photo.added",
        thing=("photo", photo.public_id),
        thread_id=of.call.public_id,
        after={"of": of.public_id, "moment": moment, "sha256": photo.sha256},
    )
    return photo
