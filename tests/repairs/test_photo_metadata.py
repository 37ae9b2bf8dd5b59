"""Photos are kept without what the camera wrote into them; Pillow, which wrote it, looks."""

from __future__ import annotations

import io
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from faults.photo_content import NoPictureError, read_picture
from faults.photo_metadata import without_metadata

GPS, MAKER, ORIENTATION = 0x8825, 0x010F, 0x0112
PLACE = {1: "N", 2: (40.0, 25.0, 1.0), 3: "W", 4: (3.0, 42.0, 9.0)}


def pixels() -> Image.Image:
    picture = Image.effect_noise((64, 48), 60).convert("RGB")
    picture.putpixel((3, 4), (200, 10, 30))
    return picture


def told(side: int) -> Image.Exif:
    """What a phone tells: its maker, its place, and which side is up."""
    exif = Image.Exif()
    exif[MAKER] = "Secret Maker"
    exif[ORIENTATION] = side
    exif.get_ifd(GPS).update(PLACE)
    return exif


def written(kind: str, side: int = 6, **options: Any) -> bytes:
    into = io.BytesIO()
    pixels().save(into, kind, exif=told(side), **options)
    return into.getvalue()


def opened(content: bytes) -> Image.Image:
    picture = Image.open(io.BytesIO(content))
    picture.load()
    return picture


@pytest.mark.parametrize(
    ("kind", "options"),
    [
        ("JPEG", {}),
        ("JPEG", {"progressive": True, "comment": b"Secret Maker"}),
        ("JPEG", {"restart_marker_blocks": 2}),
        ("WEBP", {}),
        ("WEBP", {"lossless": True, "xmp": b"<x>Secret Maker</x>"}),
        ("PNG", {}),
    ],
)
def test_nothing_is_left_of_where_and_by_what(kind: str, options: dict[str, Any]) -> None:
    content = written(kind, **options)
    before = opened(content)
    assert before.getexif().get_ifd(GPS), "the picture tells its place, or this shows nothing"
    bare = without_metadata(content)
    after = opened(bare)
    assert after.tobytes() == before.tobytes(), "not a pixel changed"
    assert not after.getexif().get_ifd(GPS)
    assert b"Secret Maker" not in bare
    assert read_picture(bare) == read_picture(content)
    assert without_metadata(bare) == bare


@pytest.mark.parametrize("side", range(1, 9))
def test_a_jpeg_keeps_which_side_is_up(side: int) -> None:
    after = opened(without_metadata(written("JPEG", side)))
    assert after.getexif().get(ORIENTATION, 1) == side
    assert set(after.getexif()) <= {ORIENTATION}


def test_text_in_a_png_goes() -> None:
    words, into = PngInfo(), io.BytesIO()
    words.add_text("Comment", "Secret Maker")
    pixels().save(into, "PNG", pnginfo=words)
    assert b"Secret" in into.getvalue()
    assert b"Secret" not in without_metadata(into.getvalue())


def test_pictures_after_the_picture_go() -> None:
    """Phones put a second picture, with a place of its own, behind the first."""
    first = written("JPEG")
    assert without_metadata(first + written("JPEG")) == without_metadata(first)


@given(st.integers(0, 2000), st.binary(max_size=8))
def test_a_damaged_picture_is_refused_or_kept_bare(at: int, bytes_in: bytes) -> None:
    content = written("JPEG", comment=b"Secret Maker" * 4)
    damaged = content[: at + 2] + bytes_in + content[at + 2 + len(bytes_in) :]
    try:
        bare = without_metadata(damaged)
    except NoPictureError:
        return
    assert (bare[:2], bare[-2:]) == (b"\xff\xd8", b"\xff\xd9")
    assert len(bare) <= len(damaged)
