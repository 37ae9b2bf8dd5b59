"""Pictures for tests, written without a library."""

from __future__ import annotations

import struct
import zlib


def png(width_px: int, height_px: int) -> bytes:
    """A grey PNG of this size."""
    rows = (b"\x00" + b"\x80" * width_px) * height_px
    header = struct.pack(">IIBBBBB", width_px, height_px, 8, 0, 0, 0, 0)
    chunks = ((b"IHDR", header), (b"IDAT", zlib.compress(rows)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(name, body) for name, body in chunks)


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
