"""Photos: what is kept, what is stripped, and what is refused in a sentence."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import uuid4

import pillow_heif
import pytest
from django.core.exceptions import ValidationError
from PIL import ExifTags, Image

from portal.actions.photos import MOST_PIXELS, keep_photo
from portal.models import Role, Visit, VisitPhoto
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def _keep(data: bytes, filename: str = "roof.jpg", visit: Visit | None = None, **fields: Any) -> VisitPhoto:
    visit = visit or factories.visit()
    by = factories.member(visit.site.customer.business, Role.TECHNICIAN)
    defaults: dict[str, Any] = {"client_id": uuid4(), "phase": "before", "distance": "wide", "at": NOW, "now": NOW}
    return keep_photo(visit=visit, by=by, data=data, filename=filename, **(defaults | fields))


def _phone_photo(
    size: tuple[int, int] = (2400, 1800), *, offset: str = "-06:00", kind: str = "JPEG", gps: bool = True
) -> bytes:
    """A picture with what a phone writes into it: time, place, serial number, rotation."""
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = "Camera maker"
    exif[ExifTags.Base.Orientation] = 6  # turned a quarter: shown upright it is taller than wide
    details = exif.get_ifd(ExifTags.IFD.Exif)
    details[ExifTags.Base.DateTimeOriginal] = "2026:06:14 07:30:00"
    if offset:
        details[ExifTags.Base.OffsetTimeOriginal] = offset
    details[ExifTags.Base.BodySerialNumber] = "SN-123456"
    if gps:
        exif.get_ifd(ExifTags.IFD.GPSInfo).update({1: "N", 2: (39.0, 44.0, 0.0), 3: "W", 4: (105.0, 10.0, 0.0)})
    packed = io.BytesIO()
    Image.new("RGB", size, (30, 60, 120)).save(packed, kind, exif=exif)
    return packed.getvalue()


def _png_header(width: int, height: int) -> bytes:
    """A PNG that says it is huge (PNG specification, chunks IHDR and IDAT) and is small on the wire."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(b"\0" * 10_000))
        + chunk(b"IEND", b"")
    )


def _heic(size: tuple[int, int] = (640, 480)) -> bytes:
    packed = io.BytesIO()
    noise = Image.effect_noise(size, 60).convert("RGB")
    pillow_heif.from_pillow(noise).save(packed, quality=80)
    return packed.getvalue()


def test_copies_are_small_upright_and_carry_nothing_but_pixels() -> None:
    photo = _keep(_phone_photo())
    for file, most in ((photo.shown, 1600), (photo.small, 400)):
        with file.open() as opened:
            data = opened.read()
        copy = Image.open(io.BytesIO(data))
        assert copy.format == "JPEG"
        assert copy.size == (most * 3 // 4, most), "upright, by the camera's own mark"
        assert dict(copy.getexif()) == {}
        for trace in (b"SN-123456", b"Exif", b"GPS", b"Camera maker"):
            assert trace not in data


def test_a_file_that_tells_no_place_is_kept_as_it_came() -> None:
    data = _phone_photo(gps=False)
    photo = _keep(data)
    with photo.original.open() as file:
        assert file.read() == data


def test_the_cameras_time_is_kept() -> None:
    # 07:30 at −06:00 is 13:30 UTC
    assert _keep(_phone_photo()).taken_at == datetime(2026, 6, 14, 13, 30, tzinfo=UTC)


def test_a_camera_without_a_zone_is_on_the_roofs_clock() -> None:
    # Denver is at −06:00 in June
    assert _keep(_phone_photo(offset="")).taken_at == datetime(2026, 6, 14, 13, 30, tzinfo=UTC)


def test_a_photo_without_a_time_has_the_phones() -> None:
    packed = io.BytesIO()
    Image.new("RGB", (64, 64)).save(packed, "PNG")
    at = NOW - timedelta(hours=2)
    assert _keep(packed.getvalue(), "shot.png", at=at).taken_at == at


def test_a_heic_photo_is_shown_as_jpeg() -> None:
    photo = _keep(_heic(), "IMG_0001.HEIC")
    with photo.shown.open() as file:
        assert Image.open(file).size == (640, 480)
    assert photo.original.name is not None
    assert photo.original.name.endswith(".heic")


@pytest.mark.any_database("pictures; the other tests here keep some")
@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGBA", "I;16"])
def test_a_picture_of_any_mode_is_shown(mode: str) -> None:
    packed = io.BytesIO()
    noise = Image.effect_noise((2000, 1500), 60)
    (noise.convert("I").convert(mode) if mode == "I;16" else noise.convert("RGB").convert(mode)).save(packed, "PNG")
    with _keep(packed.getvalue(), "shot.png").shown.open() as file:
        assert Image.open(file).size == (1600, 1200)


def test_the_same_photo_sent_twice_is_kept_once() -> None:
    visit, client_id = factories.visit(), uuid4()
    first = _keep(_phone_photo((400, 300)), visit=visit, client_id=client_id)
    assert _keep(_phone_photo((400, 300)), visit=visit, client_id=client_id) == first
    assert visit.photos.count() == 1


def _zip_named_jpg() -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("roof.jpg", _phone_photo((40, 30)))
    return packed.getvalue()


SVG = b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'


@pytest.mark.parametrize(
    ("make", "filename", "sentence"),
    [
        (_zip_named_jpg, "roof.jpg", "not a photo that can be read here"),
        (lambda: SVG, "roof.svg", "not a photo that can be read here"),
        (lambda: SVG, "roof.jpg", "not a photo that can be read here"),
        (lambda: _png_header(30_000, 30_000), "roof.png", "million pixels"),
        (lambda: _png_header(10_000, 9_000), "roof.png", "million pixels"),
        (lambda: _png_header(8_000, 7_000), "roof.png", "damaged or cut off"),
        (lambda: _heic()[:-4000], "roof.heic", "damaged or cut off"),
        (lambda: _heic()[:200], "roof.heic", "not a photo|damaged"),
        (lambda: _phone_photo((1200, 900))[:-2000], "roof.jpg", "damaged or cut off"),
        (lambda: b"", "roof.jpg", "not a photo"),
    ],
)
def test_a_bad_file_gets_a_sentence_and_leaves_nothing(make: Any, filename: str, sentence: str) -> None:
    visit = factories.visit()
    with pytest.raises(ValidationError, match=sentence) as refused:
        _keep(make(), filename, visit=visit)
    assert filename in refused.value.messages[0]
    assert visit.photos.count() == 0


def test_the_limit_leaves_room_for_what_phones_take() -> None:
    assert MOST_PIXELS >= 50_000_000  # 8160 × 6120, the 50 megapixel mode of current phones; common, no source
