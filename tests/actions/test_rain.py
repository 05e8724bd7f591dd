"""A town's rain comes in once a day and gauge, and speaks for the roofs near it."""

from datetime import date

import pytest

from portal.actions.rain import keep_days, record_rain
from portal.models import DayRain, RainGauge, Role
from tests import factories

pytestmark = pytest.mark.django_db

NUMBER = "USW00094728"


def test_a_day_sent_again_replaces_and_the_others_stay() -> None:
    firm = factories.business()
    where = {"business": firm, "name": "Town", "latitude": 39.7, "longitude": -105.2}
    record_rain(rain_mm={date(2026, 5, 1): 1.0, date(2026, 5, 2): 2.0}, **where)  # type: ignore[arg-type]
    gauge = record_rain(rain_mm={date(2026, 5, 2): 5.0}, **where)  # type: ignore[arg-type]
    assert gauge.rain_mm().to_dict() == {date(2026, 5, 1): 1.0, date(2026, 5, 2): 5.0}
    assert DayRain.objects.count() == 2


def test_the_nearest_gauge_within_40_km_speaks_for_every_firm_and_another_firms_goes_last() -> None:
    roof = factories.site(latitude=39.74, longitude=-105.17)
    firm, rival = roof.customer.business, factories.business()
    day = {date(2026, 5, 1): 1.0}
    record_rain(business=firm, name="Far", latitude=40.5, longitude=-105.17, rain_mm=day)
    assert RainGauge.objects.nearest(roof) is None
    rivals = record_rain(business=rival, name="Rival's yard", latitude=39.74, longitude=-105.17, rain_mm=day)
    assert RainGauge.objects.nearest(roof) == rivals
    assert rivals.called_for(roof) == "a gauge 0 km away"
    assert rivals not in RainGauge.objects.visible_to(factories.member(firm))
    near = record_rain(business=firm, name="Near", latitude=39.8, longitude=-105.3, rain_mm=day)
    assert RainGauge.objects.nearest(roof) == near, "no firm talks over the rain that another has sent"
    # one degree of latitude is 111.2 km on a sphere of 6,371 km: 0.06° is 6.7 km; 0.13° of longitude there 11.1 km
    assert near.km_from(roof) == pytest.approx((6.7**2 + 11.1**2) ** 0.5, rel=0.02)
    portals = record_rain(business=None, name="AIRPORT", latitude=39.75, longitude=-105.2, rain_mm=day, station=NUMBER)
    assert RainGauge.objects.nearest(roof) == portals, "the portal's is nearer than the firm's own"
    assert portals in RainGauge.objects.visible_to(factories.member(firm))
    assert not RainGauge.objects.visible_to(factories.member(firm, Role.TECHNICIAN)).exists()


def test_days_that_stand_are_not_written_again_and_days_before_any_roof_not_at_all() -> None:
    gauge = record_rain(business=factories.business(), name="Town", latitude=1.0, longitude=1.0, rain_mm={})
    days = {date(1950, 1, 1): 3.0, date(2026, 5, 1): 1.0, date(2026, 5, 2): 0.0}
    assert keep_days(gauge=gauge, rain_mm=days) == 2
    assert keep_days(gauge=gauge, rain_mm=days | {date(2026, 5, 2): 0.4}) == 1
    assert gauge.rain_mm().to_dict() == {date(2026, 5, 1): 1.0, date(2026, 5, 2): 0.4}
