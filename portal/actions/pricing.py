"""What a visit costs, from the business's price list."""

from __future__ import annotations

from decimal import Decimal

from portal.models import Site

STEEP_DEGREES = 35


def price_of_visit(site: Site) -> Decimal:
    """Panels at the price each, at least the minimum, plus the surcharges for storeys and a steep roof."""
    business = site.customer.business
    planes = list(site.planes.all())
    price = max(business.price_minimum, business.price_per_module * sum(plane.module_count for plane in planes))
    price += business.surcharge_per_storey * max(0, site.storeys - 1)
    # A roof's pitch is its own; where nobody noted it, panels on a pitched roof lie as the roof does.
    pitch = site.roof_pitch if site.roof_pitch is not None else max((plane.tilt for plane in planes), default=0)
    if pitch > STEEP_DEGREES:
        price += business.surcharge_steep
    return price.quantize(Decimal("0.01"))
