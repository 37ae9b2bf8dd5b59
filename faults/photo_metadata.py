"""Pictures without what they tell of where, when and by what they were taken.

Phones write the place of the camera into each photo (EXIF, XMP). The picture itself is copied
byte for byte and never decoded; which side is up is kept, and the colour profile. The content has
been through :func:`faults.photo_content.read_picture`, so its parts hang together.

JPEG: ITU-T T.81 annex B, EXIF as JEITA CP-3451 has it; PNG: W3C Portable Network Graphics, chunk
naming; WebP: RFC 9649.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from faults.photo_content import NoPictureError

_PNG_KEPT = frozenset(
    (
        *(b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA"),
        *(b"cHRM", b"sRGB", b"iCCP", b"sBIT", b"pHYs", b"bKGD"),
    )
)
_APP0, _APP1, _APP2, _APP14, _APP15 = 0xE0, 0xE1, 0xE2, 0xEE, 0xEF
_COMMENT, _SCAN, _END = 0xFE, 0xDA, 0xD9
_WITHIN_A_SCAN = frozenset((0x00, *range(0xD0, 0xD8)))
"""What follows 0xFF within a scan without ending it: a stuffed byte, or a restart."""
_EXIF = b"Exif\x00\x00"
_ORIENTATION, _SHORT = 0x0112, 3
_VP8X_METADATA = 0x0C
"""The bits of a WebP's header that announce EXIF and XMP."""


def without_metadata(content: bytes) -> bytes:
    """The same picture with nothing in it but the picture, its colours and which side is up.

    Raises NoPictureError where its parts do not hang together.
    """
    try:
        if content.startswith(b"\x89PNG"):
            return b"".join((content[:8], *_png_kept(content)))
        if content.startswith(b"\xff\xd8"):
            return b"".join((content[:2], *_jpeg_kept(content)))
        return _webp_kept(content)
    except (struct.error, IndexError):
        raise NoPictureError("the picture is damaged") from None


def _png_kept(content: bytes) -> Iterator[bytes]:
    at = 8
    while at < len(content):
        length, name = struct.unpack_from(">I4s", content, at)
        if name in _PNG_KEPT:
            yield content[at : at + 12 + length]
        at += 12 + length


def _jpeg_kept(content: bytes) -> Iterator[bytes]:
    """Segment by segment to the end of the picture; cameras put more pictures after it."""
    at = 2
    while (marker := content[at + 1]) != _END:
        if content[at] != 0xFF:
            raise NoPictureError("the picture is damaged")
        if marker == 0xFF:
            # A marker may be led in by any number of fill bytes.
            at += 1
            continue
        (length,) = struct.unpack_from(">H", content, at + 2)
        end = at + 2 + length
        if marker == _SCAN:
            end = _end_of_scan(content, end)
        body = content[at + 4 : end]
        if marker == _APP1 and body.startswith(_EXIF):
            yield from _orientation_alone(body[len(_EXIF) :])
        elif _is_kept(marker, body):
            yield content[at:end]
        at = end
    yield content[at : at + 2]


def _end_of_scan(content: bytes, at: int) -> int:
    while content[at : at + 1] != b"\xff" or content[at + 1] in _WITHIN_A_SCAN:
        at = content.find(b"\xff", at + 1)
        if at < 0:
            raise NoPictureError("the picture is cut off")
    return at


def _is_kept(marker: int, body: bytes) -> bool:
    if marker == _APP2:
        return body.startswith(b"ICC_PROFILE")
    return marker in (_APP0, _APP14) or not (marker == _COMMENT or _APP0 <= marker <= _APP15)


def _orientation_alone(tiff: bytes) -> Iterator[bytes]:
    """An EXIF segment that says which side is up, where that is not the usual one."""
    side = _orientation(tiff)
    if 2 <= side <= 8:
        entry = struct.pack(">HHIHH", _ORIENTATION, _SHORT, 1, side, 0)
        body = _EXIF + b"MM\x00\x2a" + struct.pack(">IH", 8, 1) + entry + bytes(4)
        yield struct.pack(">BBH", 0xFF, _APP1, len(body) + 2) + body


def _orientation(tiff: bytes) -> int:
    """1 to 8 as EXIF counts; 1, upright, where it cannot be read."""
    order = {b"II": "<", b"MM": ">"}.get(tiff[:2])
    if order is None:
        return 1
    try:
        (first,) = struct.unpack_from(f"{order}I", tiff, 4)
        (count,) = struct.unpack_from(f"{order}H", tiff, first)
        for n in range(count):
            tag, kind, _, side = struct.unpack_from(f"{order}HHIH", tiff, first + 2 + 12 * n)
            if (tag, kind) == (_ORIENTATION, _SHORT):
                return int(side)
    except struct.error:
        pass
    return 1


def _webp_kept(content: bytes) -> bytes:
    kept = []
    at = 12
    while at + 8 <= len(content):
        name, length = struct.unpack_from("<4sI", content, at)
        whole = content[at : at + 8 + length + length % 2]
        if name == b"VP8X":
            whole = whole[:8] + bytes([whole[8] & ~_VP8X_METADATA]) + whole[9:]
        if name not in (b"EXIF", b"XMP "):
            kept.append(whole)
        at += 8 + length + length % 2
    body = b"WEBP" + b"".join(kept)
    return b"RIFF" + struct.pack("<I", len(body)) + body
