"""What kind of picture some bytes are, by what is in them and not by what they are called.

JPEG, PNG and WebP alone; only the headers are read, no picture is decoded.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

_PNG = b"\x89PNG\r\n\x1a\n"
_JPEG_SIZES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
"""JPEG segments that say how large the picture is."""


class NoPictureError(ValueError):
    """These bytes are no whole picture of a kind that is taken."""


@dataclass(frozen=True, slots=True)
class Picture:
    """The kind of a picture and its size in pixels; ``ending`` is that of its file's name."""

    media_type: str
    ending: str
    width_px: int
    height_px: int


def read_picture(content: bytes) -> Picture:
    """What picture this is. Raises NoPictureError."""
    try:
        if content.startswith(_PNG):
            return _png(content)
        if content.startswith(b"\xff\xd8\xff"):
            return _jpeg(content)
        if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
            return _webp(content)
    except (struct.error, IndexError):
        raise NoPictureError("the picture is cut off") from None
    raise NoPictureError("this is no JPEG, PNG or WebP picture")


def _sized(media_type: str, ending: str, width_px: int, height_px: int) -> Picture:
    if width_px < 1 or height_px < 1:
        raise NoPictureError("the picture says that it has no size")
    return Picture(media_type, ending, width_px, height_px)


def _png(content: bytes) -> Picture:
    """Chunk by chunk to the end, each with its checksum: nothing may hide behind."""
    at, size = len(_PNG), (0, 0)
    while True:
        length, name = struct.unpack_from(">I4s", content, at)
        body = content[at + 8 : at + 8 + length]
        (checksum,) = struct.unpack_from(">I", content, at + 8 + length)
        if zlib.crc32(name + body) != checksum:
            raise NoPictureError("the picture is damaged")
        if at == len(_PNG):
            if name != b"IHDR":
                raise NoPictureError("the picture does not begin as a PNG does")
            size = struct.unpack_from(">II", body)
        at += 12 + length
        if name == b"IEND":
            break
    if at != len(content):
        raise NoPictureError("something follows after the end of the picture")
    return _sized("image/png", "png", *size)


def _jpeg(content: bytes) -> Picture:
    """Segment by segment to the one that says the size; cameras may add data after the end."""
    at = 2
    while True:
        if content[at] != 0xFF:
            raise NoPictureError("the picture is damaged")
        kind = content[at + 1]
        if kind == 0xFF:
            at += 1
            continue
        if kind in _JPEG_SIZES:
            height, width = struct.unpack_from(">HH", content, at + 5)
            break
        if kind in (0xD9, 0xDA):
            raise NoPictureError("the picture does not say its size")
        (length,) = struct.unpack_from(">H", content, at + 2)
        if length < 2:
            raise NoPictureError("the picture is damaged")
        at += 2 + length
    if b"\xff\xd9" not in content[at:]:
        raise NoPictureError("the picture is cut off")
    return _sized("image/jpeg", "jpg", width, height)


def _webp(content: bytes) -> Picture:
    (length,) = struct.unpack_from("<I", content, 4)
    if length + 8 != len(content):
        raise NoPictureError("the picture is cut off, or something follows after its end")
    kind = content[12:16]
    if kind == b"VP8X":
        low = [int.from_bytes(content[at : at + 3], "little") + 1 for at in (24, 27)]
        if len(content) < 30:
            raise NoPictureError("the picture is cut off")
        return _sized("image/webp", "webp", low[0], low[1])
    if kind == b"VP8L":
        if content[20] != 0x2F:
            raise NoPictureError("the picture is damaged")
        (bits,) = struct.unpack_from("<I", content, 21)
        return _sized("image/webp", "webp", (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1)
    if kind == b"VP8 ":
        if content[23:26] != b"\x9d\x01\x2a":
            raise NoPictureError("the picture is damaged")
        width, height = struct.unpack_from("<HH", content, 26)
        return _sized("image/webp", "webp", width & 0x3FFF, height & 0x3FFF)
    raise NoPictureError("the picture is damaged")
