"""A town's rain comes in once a day and gauge, and speaks for the roofs near it."""

from datetime import date

import pytest

from portal.actions.rain import record_rain
from portal.models import DayRain, RainGauge
from tests import factories

pytestmark = pytest.mark.django_db


def test_a_day_sent_again_replaces_and_the_others_stay() -> None:
    firm = factories.business()
    where = {"business": firm, "name": "Town", "latitude": 39.7, "longitude": -105.2}
    record_rain(rain_mm={date(2026, 5, 1): 1.0, date(2026, 5, 2): 2.0}, **where)  # type: ignore[arg-type]
    gauge = record_rain(rain_mm={date(2026, 5, 2): 5.0}, **where)  # type: ignore[arg-type]
    assert gauge.rain_mm().to_dict() == {date(2026, 5, 1): 1.0, date(2026, 5, 2): 5.0}
    assert DayRain.objects.count() == 2


def test_the_nearest_gauge_of_the_own_business_within_40_km_speaks() -> None:
    roof = factories.site(latitude=39.74, longitude=-105.17)
    firm = roof.customer.business
    day = {date(2026, 5, 1): 1.0}
    record_rain(business=firm, name="Far", latitude=40.5, longitude=-105.17, rain_mm=day)
    record_rain(business=factories.business(), name="Not ours", latitude=39.74, longitude=-105.17, rain_mm=day)
    assert RainGauge.objects.nearest(roof) is None
    near = record_rain(business=firm, name="Near", latitude=39.8, longitude=-105.3, rain_mm=day)
    assert RainGauge.objects.nearest(roof) == near
    # one degree of latitude is 111.2 km on a sphere of 6,371 km: 0.06° is 6.7 km; 0.13° of longitude there 11.1 km
    assert near.km_from(roof) == pytest.approx((6.7**2 + 11.1**2) ** 0.5, rel=0.02)
