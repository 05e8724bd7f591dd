"""What a visit costs, from the business's price list."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from portal.models import Site

STEEP_DEGREES = 35


@dataclass(frozen=True, slots=True)
class QuoteLine:
    """One line of a quote, in the business's currency."""

    words: str
    amount: Decimal


def quote(site: Site, *, nesting: bool = False) -> list[QuoteLine]:
    """Panels at the price each, at least the minimum, plus storeys, a steep roof, and a nest to remove."""
    business = site.customer.business
    planes = list(site.planes.all())
    panels = sum(plane.module_count for plane in planes)
    washing = business.price_per_module * panels
    counted = f"Washing {panels} panel{'' if panels == 1 else 's'}"
    words = f"{counted} at {business.price_per_module:.2f} {business.currency} each"
    if washing < business.price_minimum:
        washing, words = business.price_minimum, f"{counted}, the least for a visit"
    if not panels:
        words = "The least for a visit; how many panels there are is not entered yet"
    lines = [QuoteLine(words, washing)]
    if site.storeys > 1:
        above = site.storeys - 1
        words = "One storey above the first" if above == 1 else f"{above} storeys above the first"
        lines.append(QuoteLine(words, business.surcharge_per_storey * above))
    # A roof's pitch is its own; where nobody noted it, panels on a pitched roof lie as the roof does.
    pitch = site.roof_pitch if site.roof_pitch is not None else max((plane.tilt for plane in planes), default=0)
    if pitch > STEEP_DEGREES:
        lines.append(QuoteLine(f"Roof steeper than {STEEP_DEGREES}°", business.surcharge_steep))
    if nesting:
        lines.append(QuoteLine("Removing a nest from under the panels", business.price_nesting_removal))
    return [line for line in lines if line.amount or line is lines[0]]  # a surcharge of nothing is none


def price_of_visit(site: Site, *, nesting: bool = False) -> Decimal:
    """The sum of the quote."""
    return sum((line.amount for line in quote(site, nesting=nesting)), Decimal(0)).quantize(Decimal("0.01"))
