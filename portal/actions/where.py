"""Where a roof is, out of what somebody pastes: a map's link, a ``geo:`` address, or two numbers."""

from __future__ import annotations

import re
from urllib.parse import parse_qsl, unquote, urlsplit

from portal.pv.town import Place

DEGREES = r"[-+−]?\d{1,3}(?:\.\d+)?"
GEO = re.compile(rf"geo:({DEGREES}),({DEGREES})(?:,{DEGREES})?((?:;[^;\s]+)*)", re.IGNORECASE)
"""RFC 5870: latitude, longitude, perhaps an altitude, and parameters. https://www.rfc-editor.org/rfc/rfc5870"""
PAIR = re.compile(rf"({DEGREES})\s*[,;/ ]\s*({DEGREES})")
COMMAS = re.compile(r"([-+−]?\d{1,3},\d+)\s*[;/ ]\s*([-+−]?\d{1,3},\d+)")
"""Numbers with a decimal comma."""
ANGLE = r"(\d{1,3}(?:[.,]\d+)?)\s*°\s*(?:(\d{1,2}(?:[.,]\d+)?)\s*['′’]\s*)?(?:(\d{1,2}(?:[.,]\d+)?)\s*[\"″”]\s*)?"
ANGLES = re.compile(rf"{ANGLE}([NS])[\s,;]*{ANGLE}([EWO])", re.IGNORECASE)
"""Degrees, minutes and seconds with their sides; O is west in Spanish."""
LATITUDES = ("mlat", "lat", "latitude")
LONGITUDES = ("mlon", "mlng", "lon", "lng", "long", "longitude")
PINNED = re.compile(rf"!3d({DEGREES})!4d({DEGREES})")
"""A pin, where a link has one beside the middle of the picture."""


def read_place(text: str) -> Place | None:
    """Latitude and longitude in degrees (WGS 84); None where the text holds none, or none on Earth.

    >>> read_place("geo:39.742,-105.1727;u=15")
    (39.742, -105.1727)
    """
    text = text.strip()
    if found := GEO.fullmatch(text):
        crs = [one for one in found[3].lower().split(";") if one.startswith("crs=")]
        return _on_earth(found[1], found[2]) if crs in ([], ["crs=wgs84"]) else None
    if re.match(r"https?://", text, re.IGNORECASE):
        return _of_link(text)
    if found := ANGLES.fullmatch(text):
        return _of_angles([part or "" for part in found.groups()])
    if found := COMMAS.fullmatch(text) or PAIR.fullmatch(text):
        return _on_earth(found[1].replace(",", "."), found[2].replace(",", "."))
    return None


def _of_link(link: str) -> Place | None:
    """A pin first, then named parameters, then two numbers in a row."""
    try:
        parts = urlsplit(link)
    except ValueError:
        return None
    rest = unquote(f"{parts.path} {parts.fragment}")
    if found := PINNED.search(rest):
        return _on_earth(found[1], found[2])
    given = parse_qsl(parts.query) + parse_qsl(parts.fragment)
    named = {name.lower(): value for name, value in given}
    for latitude, longitude in ((a, b) for a in LATITUDES for b in LONGITUDES):
        if latitude in named and longitude in named:
            return _on_earth(named[latitude], named[longitude])
    for text in [value for _, value in given] + rest.split():
        # a map's "zoom/latitude/longitude", "@latitude,longitude,zoom", "latitude,longitude"
        for pattern in (rf"(?:^|=)\d+(?:\.\d+)?/({DEGREES})/({DEGREES})", rf"(?:^|[@/:])({DEGREES}),({DEGREES})"):
            if (found := re.search(pattern, text)) and (place := _on_earth(found[1], found[2])):
                return place
    return None


def _of_angles(parts: list[str]) -> Place | None:
    values = []
    for degrees, minutes, seconds, side in (parts[:4], parts[4:]):
        whole = [float((one or "0").replace(",", ".")) for one in (degrees, minutes, seconds)]
        if whole[1] >= 60 or whole[2] >= 60:
            return None
        angle = whole[0] + whole[1] / 60 + whole[2] / 3600
        values.append(-angle if side.upper() in "SWO" else angle)
    return _on_earth(str(values[0]), str(values[1]))


def _on_earth(latitude: str, longitude: str) -> Place | None:
    try:
        place = float(latitude.replace("−", "-")), float(longitude.replace("−", "-"))
    except ValueError:
        return None
    return place if abs(place[0]) <= 90 and abs(place[1]) <= 180 else None
