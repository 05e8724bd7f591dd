"""Places out of pasted text: RFC 5870's own examples, links of the shapes that maps make, and degrees by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from portal.actions.where import read_place


@pytest.mark.parametrize(
    ("text", "place"),
    [
        # https://www.rfc-editor.org/rfc/rfc5870, sections 1, 3.4.4 and 6
        ("geo:13.4125,103.8667", (13.4125, 103.8667)),
        ("geo:48.2010,16.3695,183", (48.2010, 16.3695)),
        ("geo:48.198634,16.371648;crs=wgs84;u=40", (48.198634, 16.371648)),
        ("geo:90,-22.43;crs=WGS84", (90.0, -22.43)),
        ("GEO:66,30;u=6.500;FOo=this%2dthat", (66.0, 30.0)),
        ("geo:323482,4306480;crs=EPSG:32618;u=20", None),
        ("geo:48.2010,16.3695,183;crs=other", None),
        ("geo:91,0", None),
    ],
)
def test_geo_addresses(text: str, place: tuple[float, float] | None) -> None:
    assert read_place(text) == place


@pytest.mark.parametrize(
    "link",
    [
        "https://maps.example/?mlat=39.742&mlon=-105.1727#map=5/10.0/20.0",
        "https://maps.example/#map=18/39.742/-105.1727",
        "https://maps.example/place/1+Invented+Road/@39.742,-105.1727,17z",
        "https://maps.example/place/X/@10.1,20.2,17z/data=!3m1!4b1!3d39.742!4d-105.1727",
        "https://maps.example/?q=39.742,-105.1727",
        "https://maps.example/?q=39.742%2C-105.1727&z=17",
        "https://maps.example/?ll=39.742,-105.1727&q=Home",
        "https://maps.example/dir/39.742,-105.1727",
        "https://maps.example/?latitude=39.742&longitude=-105.1727",
        " 39.742, -105.1727 ",
        "39.742 −105.1727",
        "39,742; -105,1727",
        "39.742/-105.1727",
    ],
)
def test_links_and_numbers(link: str) -> None:
    assert read_place(link) == (39.742, -105.1727)


def test_degrees_minutes_and_seconds() -> None:
    # 39 + 44/60 + 31.2/3600 and 105 + 10/60 + 21.72/3600
    for text in ("39°44'31.2\"N 105°10'21.72\"W", "39° 44′ 31.2″ N, 105° 10′ 21.72″ W", "39°44’31,2”N 105°10’21,72”O"):
        place = read_place(text)
        assert place is not None
        assert place == pytest.approx((39.742, -105.1727), abs=1e-9)
    assert read_place("33.9° S 18.4° E") == (-33.9, 18.4)
    assert read_place("39°75'0\"N 105°10'0\"W") is None


@pytest.mark.parametrize(
    "text", ["", "12 Invented Road", "https://maps.example/short/Ab3", "91, 0", "0, 181", "39.742"]
)
def test_what_holds_no_place_gives_none(text: str) -> None:
    assert read_place(text) is None


@given(st.floats(-90, 90), st.floats(-180, 180))
def test_any_place_comes_back(latitude: float, longitude: float) -> None:
    place = read_place(f"geo:{latitude:.6f},{longitude:.6f}")
    assert place is not None
    assert place == pytest.approx((latitude, longitude), abs=1e-6)


@given(st.text())
def test_nothing_pasted_breaks_it(text: str) -> None:
    for one in (text, f"https://{text}", f"geo:{text}"):
        place = read_place(one)
        assert place is None or (abs(place[0]) <= 90 and abs(place[1]) <= 180)
