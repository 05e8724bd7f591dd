"""What a visit costs, from the business's price list."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from portal.models import Site
from portal.words.figures import money

STEEP_DEGREES = 35
"""Tilt from which on a roof costs the firm's surcharge for a steep one. Common practice, no source."""


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
    counted = ngettext("Washing {panels} panel", "Washing {panels} panels", panels).format(panels=panels)
    each = money(business.price_per_module, business.currency)
    words = _("{washing} at {price} each").format(washing=counted, price=each)
    if washing < business.price_minimum:
        washing, words = business.price_minimum, _("{washing}, the least for a visit").format(washing=counted)
    if not panels:
        words = _("The least for a visit; how many panels there are is not entered yet")
    lines = [QuoteLine(words, washing)]
    if site.storeys > 1:
        above = site.storeys - 1
        words = ngettext("One storey above the first", "{above} storeys above the first", above).format(above=above)
        lines.append(QuoteLine(words, business.surcharge_per_storey * above))
    # A roof's pitch is its own; where nobody noted it, panels on a pitched roof lie as the roof does.
    pitch = site.roof_pitch if site.roof_pitch is not None else max((plane.tilt for plane in planes), default=0)
    if pitch > STEEP_DEGREES:
        words = _("Roof steeper than {degrees}°").format(degrees=STEEP_DEGREES)
        lines.append(QuoteLine(words, business.surcharge_steep))
    if nesting:
        lines.append(QuoteLine(_("Removing a nest from under the panels"), business.price_nesting_removal))
    return [line for line in lines if line.amount or line is lines[0]]  # a surcharge of nothing is none


def price_of_visit(site: Site, *, nesting: bool = False) -> Decimal:
    """The sum of the quote."""
    return total_of(quote(site, nesting=nesting))


def total_of(lines: Sequence[QuoteLine]) -> Decimal:
    """What a quote's lines come to."""
    return sum((line.amount for line in lines), Decimal(0)).quantize(Decimal("0.01"))
