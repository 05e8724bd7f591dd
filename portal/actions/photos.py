"""Photos of a visit: a real image or a sentence; the file kept as it came, and stripped copies to show."""

from __future__ import annotations

import io
from datetime import datetime, timedelta, timezone
from uuid import UUID, uuid4
from zoneinfo import ZoneInfo

import pillow_heif
from django.core.exceptions import ValidationError
from django.core.files.base import ContentFile
from django.db import transaction
from django.utils.translation import gettext as _
from PIL import ExifTags, Image, ImageOps

from portal.actions.photo_place import TooManyPlaces, without_place
from portal.models import Distance, Look, Phase, User, Visit, VisitPhoto

MOST_PHOTO_BYTES = 30 * 1024 * 1024
MOST_PIXELS = 64_000_000
"""Above what phones take in their usual modes; decoded it is 192 MB for a moment. Common practice, no source."""

PHOTO_FORMATS = ("JPEG", "PNG", "WEBP", "HEIF")
SHOWN_PIXELS = 1600
SMALL_PIXELS = 400
"""The longer side of the picture on a page, and of the one in a list. Common practice, no source."""

pillow_heif.register_heif_opener()


def keep_photo(
    *,
    visit: Visit,
    client_id: UUID,
    data: bytes,
    filename: str,
    phase: str,
    at: datetime,
    by: User | None,
    now: datetime,
    distance: str = "",
    item: str = "",
    note: str = "",
) -> VisitPhoto:
    """Keep one photo from a phone; the same ``client_id`` again returns what is kept.

    Raises ValidationError, with a sentence for whoever took it, when it is no photo that can be shown safely.
    """
    if at.tzinfo is None:
        raise ValueError("a photo's time needs a time zone: naive times are refused")
    kept = VisitPhoto.objects.filter(visit=visit, client_id=client_id).first()
    if kept is not None:
        return kept
    if phase not in Phase.values or distance not in ("", *Distance.values) or item not in ("", *Look.values):
        raise ValidationError(_("The photo's place on the record is not known. Reload the page and take it again."))
    image = _decode(data, filename)
    taken_at = _taken_at(image, visit.site.tz) or at
    upright = _upright(image)
    original = data if visit.site.customer.business.keeps_photo_places else _without_place(data, filename)
    name = uuid4().hex
    told = f"{visit.pk}-{phase}-{distance}-{item}-{client_id.hex}"  # so that it can be taken up where its row is lost
    kind = {"HEIF": "heic", "PNG": "png", "WEBP": "webp"}.get(image.format or "", "jpg")
    photo = VisitPhoto(
        visit=visit,
        client_id=client_id,
        phase=phase,
        distance=distance,
        item=item,
        note=note.strip()[:200],
        taken_at=min(taken_at, now),
        by=by,
        filename=filename[-255:],
    )
    try:
        photo.original.save(f"{told}.{kind}", ContentFile(original), save=False)
        photo.shown.save(f"{name}.jpg", _copy(upright, SHOWN_PIXELS), save=False)
        photo.small.save(f"{name}.jpg", _copy(upright, SMALL_PIXELS), save=False)
    except OSError:  # the disk is full: the phone keeps it, and sends it again
        _let_go(photo)
        raise
    with transaction.atomic():
        # The visit's row is the gate: the same photo sent twice at one moment comes through one after the other.
        Visit.objects.select_for_update().get(pk=visit.pk)
        earlier = VisitPhoto.objects.filter(visit=visit, client_id=client_id).first()
        if earlier is None:
            photo.save()
    if earlier is not None:
        _let_go(photo)
        return earlier
    return photo


def _let_go(photo: VisitPhoto) -> None:
    for file in (photo.original, photo.shown, photo.small):
        if file:
            file.delete(save=False)


def _decode(data: bytes, filename: str) -> Image.Image:
    """The picture in memory, perhaps scaled down; or a sentence."""
    if len(data) > MOST_PHOTO_BYTES:
        raise ValidationError(too_many_bytes(filename))
    try:
        image = Image.open(io.BytesIO(data), formats=PHOTO_FORMATS)
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise _too_many_pixels(filename) from None
    except (OSError, ValueError, SyntaxError, EOFError, RuntimeError):
        raise ValidationError(
            _("“{filename}” is not a photo that can be read here: send JPEG, HEIC, PNG or WebP. Take it again.").format(
                filename=filename
            )
        ) from None
    if image.width * image.height > MOST_PIXELS:
        raise _too_many_pixels(filename)
    size = image.size
    try:
        if image.format in ("JPEG", "MPO"):
            # A scaled decode reads the whole file in a fraction of the memory.
            image.draft("RGB", (SHOWN_PIXELS, SHOWN_PIXELS))
        image.load()
    except (OSError, ValueError, SyntaxError, EOFError, RuntimeError):
        raise ValidationError(
            _("“{filename}” is damaged or cut off (its header says {size} × {size_2}). Take it again.").format(
                filename=filename, size=size[0], size_2=size[1]
            )
        ) from None
    return image


def too_many_bytes(filename: str) -> str:
    return _("“{filename}” is larger than {most_bytes} MB. Set the camera to a smaller size and take it again.").format(
        filename=filename, most_bytes=MOST_PHOTO_BYTES // 2**20
    )


def _without_place(data: bytes, filename: str) -> bytes:
    try:
        return without_place(data)
    except TooManyPlaces:
        raise ValidationError(
            _("{filename} holds too many places to blank them. Take the photo again.").format(filename=filename)
        ) from None


def _too_many_pixels(filename: str) -> ValidationError:
    return ValidationError(
        _(
            "“{filename}” has more than {most_pixels} million pixels. Set the camera to a smaller "
            "size and take it again."
        ).format(filename=filename, most_pixels=MOST_PIXELS // 1000000)
    )


def _taken_at(image: Image.Image, tz: str) -> datetime | None:
    """When the camera says it was taken; without an offset of its own the camera's clock is the roof's."""
    details = image.getexif().get_ifd(ExifTags.IFD.Exif)
    text = str(details.get(ExifTags.Base.DateTimeOriginal, ""))
    try:
        moment = datetime.strptime(text.strip("\0 "), "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007  the zone comes below
    except ValueError:
        return None
    offset = str(details.get(ExifTags.Base.OffsetTimeOriginal, "")).strip("\0 ")
    try:
        hours, minutes = int(offset[1:3]), int(offset[4:6])
        ahead = timedelta(hours=hours, minutes=minutes) * (-1 if offset[0] == "-" else 1)
        return moment.replace(tzinfo=timezone(ahead))
    except (ValueError, IndexError):
        return moment.replace(tzinfo=ZoneInfo(tz))


def _upright(image: Image.Image) -> Image.Image:
    """The picture no larger than it is shown, the right way up, without transparency."""
    if image.mode not in ("RGB", "RGBA", "L", "CMYK"):
        image = image.convert("RGBA" if image.mode in ("P", "PA", "LA") else "RGB")
    # Made small first: each copy of a picture of 48 megapixels takes 150 MB.
    image.thumbnail((SHOWN_PIXELS, SHOWN_PIXELS), Image.Resampling.LANCZOS)
    turned = ImageOps.exif_transpose(image)
    if turned.mode == "RGBA" or "transparency" in turned.info:
        flat = Image.new("RGB", turned.size, "white")
        layer = turned.convert("RGBA")
        flat.paste(layer, mask=layer.getchannel("A"))
        return flat
    return turned.convert("RGB")


def _copy(picture: Image.Image, most: int) -> ContentFile[bytes]:
    """A smaller JPEG made of the pixels alone: no place, no serial number, no thumbnail of the original."""
    small = Image.new("RGB", picture.size)
    small.paste(picture)
    small.thumbnail((most, most), Image.Resampling.LANCZOS)
    packed = io.BytesIO()
    small.save(packed, "JPEG", quality=84, optimize=True)
    return ContentFile(packed.getvalue())
