"""Where a photo was taken does not stay in its file; what it shows and when it was taken does."""

from __future__ import annotations

import io
import struct
from datetime import timedelta
from uuid import uuid4

import pillow_heif
import pytest
from django.core.exceptions import ValidationError
from PIL import ExifTags, Image, ImageChops
from PIL.TiffImagePlugin import IFDRational

from portal.actions.photo_place import TooManyPlaces, without_place
from portal.actions.photos import keep_photo
from portal.models import Distance, Phase
from tests import factories
from tests.factories import NOW

pillow_heif.register_heif_opener()

XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:Description exif:GPSLatitude="39,44.4N" exif:GPSLongitude="105,10.2W">'
    b"<exif:GPSAltitude>1730/1</exif:GPSAltitude></rdf:Description></x:xmpmeta>"
)


def taken_somewhere(kind: str) -> bytes:
    """A photo with a position as phones write it; Pillow writes the block, not we."""
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = "Invented"
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = "2026:06:15 10:30:00"
    degrees = tuple(IFDRational(n, d) for n, d in ((39, 1), (44, 1), (2417, 100)))
    exif.get_ifd(ExifTags.IFD.GPSInfo).update(
        {1: "N", 2: degrees, 3: "W", 4: degrees, 29: "2026:06:15", 27: b"ASCII\0\0\0GPS"}
    )
    picture, out = Image.linear_gradient("L").convert("RGB"), io.BytesIO()
    more = {"xmp": XMP} if kind in ("JPEG", "WEBP") else {}
    picture.save(out, kind, exif=exif.tobytes() if kind != "HEIF" else exif, **more)
    return out.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "HEIF"])
def test_the_position_goes_and_the_picture_and_its_moment_stay(kind: str) -> None:
    data = taken_somewhere(kind)
    with Image.open(io.BytesIO(data)) as before:
        assert dict(before.getexif().get_ifd(ExifTags.IFD.GPSInfo)), "the check would prove nothing"
        pixels = before.convert("RGB")
    blank = without_place(data)
    assert len(blank) == len(data)
    with Image.open(io.BytesIO(blank)) as after:
        after.load()
        exif = after.getexif()
        assert not dict(exif.get_ifd(ExifTags.IFD.GPSInfo))
        assert exif[ExifTags.Base.Make] == "Invented"
        assert exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] == "2026:06:15 10:30:00"
        assert ImageChops.difference(pixels, after.convert("RGB")).getbbox() is None
    for secret in (b"39,44.4N", b"105,10.2W", b"1730/1", b"ASCII\0\0\0GPS", b"2026:06:15\0"):
        assert secret not in blank, secret


@pytest.mark.parametrize("data", [b"", b"II*\0", b"MM\0*" + b"\xff" * 60, b"\x89PNG\r\n\x1a\n\xff\xff\xff\xff"])
def test_what_is_no_photo_stays_as_it_is(data: bytes) -> None:
    assert without_place(data) == data


@pytest.mark.django_db
@pytest.mark.parametrize("keeps", [False, True])
def test_the_stored_original_tells_the_place_only_where_the_firm_keeps_it(keeps: bool) -> None:
    visit = factories.visit()
    visit.site.customer.business.keeps_photo_places = keeps
    visit.site.customer.business.save()
    data = taken_somewhere("JPEG")
    photo = keep_photo(
        visit=visit,
        client_id=uuid4(),
        data=data,
        filename="a.jpg",
        phase=Phase.BEFORE,
        distance=Distance.WIDE,
        at=NOW,
        by=factories.user(),
        now=NOW + timedelta(days=1),
    )
    with photo.original.open() as file, Image.open(file) as kept:
        assert bool(dict(kept.getexif().get_ifd(ExifTags.IFD.GPSInfo))) == keeps


@pytest.mark.django_db
def test_a_file_made_of_places_is_refused_and_keeps_nobody_busy() -> None:
    """A directory of GPS pointers, each to one that is as long: blanked one by one they would take minutes."""
    pointers = b"".join(struct.pack("<HHII", 0x8825, 4, 1, 8) for _ in range(250))
    block = b"II*\0" + struct.pack("<IH", 8, 250) + pointers
    with pytest.raises(TooManyPlaces):
        without_place(block * 100)
    visit = factories.visit()
    with pytest.raises(ValidationError, match="too many places"):
        keep_photo(
            visit=visit,
            client_id=uuid4(),
            data=taken_somewhere("JPEG") + block * 100,
            filename="a.jpg",
            phase=Phase.BEFORE,
            distance=Distance.WIDE,
            at=NOW,
            by=factories.member(visit.site.customer.business),
            now=NOW,
        )
