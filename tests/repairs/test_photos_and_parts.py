"""Photos are taken for what is in them; removed parts keep their story."""

from __future__ import annotations

import io
import struct
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from core.accounts.actor import Actor
from core.problems import Conflict, Gone, Invalid, Problem, Stale, TooLarge
from faults.models import Photo, RemovedPart, Repair
from faults.photo_content import NoPictureError, read_picture
from faults.services import photos
from faults.services.photos import photo_add, photo_content
from faults.services.removed_parts import PartDetails, PartSeen, part_look, part_remove
from tests.repairs.field import opened, repaired


@pytest.fixture(autouse=True)
def _own_folder(settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = str(tmp_path)


@pytest.fixture
def repair(by: Actor) -> Repair:
    return repaired(opened(by), by)


def picture(kind: str = "JPEG", size: tuple[int, int] = (40, 30), **options: Any) -> bytes:
    """A picture that a well-known library wrote."""
    into = io.BytesIO()
    Image.new("RGB", size, (90, 120, 60)).save(into, kind, **options)
    return into.getvalue()


@pytest.mark.parametrize(
    ("kind", "options", "media_type"),
    [
        ("JPEG", {}, "image/jpeg"),
        ("JPEG", {"progressive": True}, "image/jpeg"),
        ("PNG", {}, "image/png"),
        ("WEBP", {}, "image/webp"),
        ("WEBP", {"lossless": True}, "image/webp"),
        ("WEBP", {"exif": b"Exif\x00\x00II*\x00\x08\x00\x00\x00\x00\x00"}, "image/webp"),
    ],
)
@pytest.mark.parametrize("size", [(1, 1), (40, 30), (1200, 7)])
def test_kind_and_size_are_read_from_what_another_library_wrote(
    kind: str, options: dict[str, Any], media_type: str, size: tuple[int, int]
) -> None:
    found = read_picture(picture(kind, size, **options))
    assert (found.media_type, found.width_px, found.height_px) == (media_type, *size)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_picture_that_is_cut_off_anywhere_is_none(kind: str) -> None:
    whole = picture(kind)
    for end in range(len(whole) - 1):
        with pytest.raises(NoPictureError):
            read_picture(whole[:end])


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>",
        b"<!doctype html><script>1</script>",
        b"GIF89a" + b"\x00" * 40,
        b"%PDF-1.7",
        picture("PNG") + b"PK\x03\x04",
        picture("WEBP") + b"more",
        picture("PNG").replace(b"IHDR", b"IHDX"),
        b"\xff\xd8\xff" + b"\x00" * 100,
        b"\xff\xd8\xff\xe0\x00\x00" + b"\x00" * 100,
    ],
)
def test_what_is_no_picture_is_refused_and_leaves_no_file(
    by: Actor, repair: Repair, tmp_path: Path, content: bytes
) -> None:
    with pytest.raises(Invalid) as invalid:
        photo_add(of=repair, moment="repair", content=content, by=by)
    assert [defect.pointer for defect in invalid.value.defects] == ["/content"]
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


def test_a_photo_lies_under_a_random_name_and_comes_back_whole(
    by: Actor, repair: Repair, tmp_path: Path
) -> None:
    content = picture()
    first = photo_add(of=repair, moment="repair", content=content, by=by)
    second = photo_add(of=repair, moment="repair", content=content, by=by)
    assert first.file_name != second.file_name
    assert repair.public_id not in first.file_name
    assert photo_content(first) == content
    assert (first.width_px, first.height_px, first.size_bytes) == (40, 30, len(content))
    (tmp_path / first.file_name).unlink()
    with pytest.raises(Gone):
        photo_content(first)


def test_too_many_bytes_pixels_or_photos_are_refused(
    by: Actor, repair: Repair, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(TooLarge):
        photo_add(of=repair, moment="repair", content=b"\x00" * (photos.MOST_BYTES + 1), by=by)
    header = bytearray(picture("PNG"))
    header[16:24] = struct.pack(">II", 20_000, 20_000)
    crc = struct.pack(">I", __import__("zlib").crc32(bytes(header[12:29])))
    header[29:33] = crc
    with pytest.raises(TooLarge, match="20000 × 20000"):
        photo_add(of=repair, moment="repair", content=bytes(header), by=by)
    monkeypatch.setattr(photos, "MOST_PHOTOS", 1)
    photo_add(of=repair, moment="repair", content=picture(), by=by)
    with pytest.raises(Conflict):
        photo_add(of=repair, moment="repair", content=picture(), by=by)
    assert len([path for path in tmp_path.rglob("*") if path.is_file()]) == 1
    assert Photo.objects.count() == 1


def test_a_removed_part_is_tagged_opened_and_tested(by: Actor, repair: Repair) -> None:
    details = PartDetails("T-17", "decoder of station 5", {"device": "D5"})
    part = part_remove(call=repair.call, details=details, repair=repair, by=by)
    with pytest.raises(Conflict) as conflict:
        part_remove(call=repair.call, details=details, by=by)
    assert conflict.value.extra == {"part": part.public_id}
    for moment in ("before-opening", "after-opening"):
        photo_add(of=part, moment=moment, content=picture("PNG"), by=by)
    with pytest.raises(Invalid):
        photo_add(of=part, moment="repair", content=picture(), by=by)
    seen = PartSeen(cause="water", cause_note="full of it", bench_result="faulty")
    part = part_look(part=part, seen=seen, version=1, by=by)
    assert (part.cause, part.bench_result, part.version) == ("water", "faulty", 2)
    assert part.bench_at is not None
    with pytest.raises(Stale):
        part_look(part=part, seen=seen, version=1, by=by)
    assert RemovedPart.objects.get().photos.count() == 2


@pytest.mark.parametrize(
    ("details", "pointer"),
    [
        (PartDetails(" ", "decoder"), "/tag"),
        (PartDetails("T-1", ""), "/what"),
        (PartDetails("T-1", "decoder", {"device": "D99"}), "/at_place/device"),
        (PartDetails("T-1", "decoder", {"boat": "D5"}), "/at_place"),
    ],
)
def test_a_part_says_where_it_does_not_fit(
    by: Actor, repair: Repair, details: PartDetails, pointer: str
) -> None:
    with pytest.raises(Problem) as problem:
        part_remove(call=repair.call, details=details, by=by)
    assert [defect.pointer for defect in problem.value.defects] == [pointer]
