"""What a visit costs: panels, minimum, storeys, a steep roof, a nest."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from portal.actions.pricing import price_of_visit, quote
from portal.models import Plane, Site
from tests import factories

pytestmark = pytest.mark.django_db


def _roof(*panels: tuple[int, float], **facts: Any) -> Site:
    firm = factories.business(
        price_minimum=Decimal("120"),
        price_per_module=Decimal("7"),
        surcharge_per_storey=Decimal("30"),
        surcharge_steep=Decimal("40"),
        price_nesting_removal=Decimal("90"),
    )
    site = factories.site(customer=factories.customer(business=firm), planes=False, **facts)
    for count, tilt in panels:
        Plane.objects.create(site=site, tilt=tilt, azimuth=180, dc_kw=1, module_count=count)
    return site


@pytest.mark.parametrize(
    ("panels", "facts", "nesting", "price"),
    [
        ([(10, 20.0)], {}, False, "120"),  # 70 is below the minimum
        ([(20, 20.0)], {}, False, "140"),  # 20 × 7
        ([(12, 20.0), (8, 10.0)], {}, False, "140"),
        ([(20, 20.0)], {"storeys": 3}, False, "200"),  # 140 + 2 × 30
        ([(10, 20.0)], {"storeys": 2}, False, "150"),  # the surcharge comes on top of the minimum
        ([(20, 20.0)], {"roof_pitch": 35}, False, "140"),
        ([(20, 20.0)], {"roof_pitch": 36}, False, "180"),  # 140 + 40
        ([(20, 40.0)], {}, False, "180"),  # nobody noted the pitch: the panels lie as the roof does
        ([(20, 40.0)], {"roof_pitch": 5}, False, "140"),  # racks on a flat roof
        ([(20, 20.0)], {"storeys": 2, "roof_pitch": 40}, True, "300"),  # 140 + 30 + 40 + 90
        ([], {}, False, "120"),
    ],
)
def test_a_price_is_made_of_the_price_list(
    panels: list[tuple[int, float]], facts: dict[str, Any], nesting: bool, price: str
) -> None:
    site = _roof(*panels, **facts)
    assert price_of_visit(site, nesting=nesting) == Decimal(price)
    assert sum(line.amount for line in quote(site, nesting=nesting)) == Decimal(price)


def test_a_quote_says_what_each_line_is_for() -> None:
    site = _roof((20, 20.0), storeys=2, roof_pitch=40)
    assert [(line.words, int(line.amount)) for line in quote(site, nesting=True)] == [
        ("Washing 20 panels at $7.00 each", 140),
        ("One storey above the first", 30),
        ("Roof steeper than 35°", 40),
        ("Removing a nest from under the panels", 90),
    ]
    assert [line.words for line in quote(_roof((1, 20.0)))] == ["Washing 1 panel, the least for a visit"]
    assert "not entered yet" in quote(_roof())[0].words


def test_a_surcharge_of_nothing_is_no_line() -> None:
    site = _roof((20, 20.0), storeys=2)
    site.customer.business.surcharge_per_storey = Decimal(0)
    assert len(quote(site)) == 1
