"""Sums of an invoice, to the cent: tax is rounded once for each rate, never for each line.

The rules are those of the European standard for invoices, EN 16931-1:2017: the tax of a rate is its taxable amount
times the rate, rounded to two decimals (BR-CO-17); the invoice's tax is the sum of them (BR-CO-14); the total is net
and tax (BR-CO-15). Where prices include the tax, as consumers in the Union are told them (Directive 98/6/EC, article
2 a), the tax is taken out of their sum instead, so that the total is what was agreed; it may then differ from BR-CO-17
by a cent.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

CENT = Decimal("0.01")
NO_MONEY = Decimal(0)


@dataclass(frozen=True, slots=True)
class RateTotal:
    """What one rate of tax is charged on, and how much it is."""

    percent: Decimal
    taxable: Decimal
    tax: Decimal


@dataclass(frozen=True, slots=True)
class Totals:
    by_rate: tuple[RateTotal, ...]

    @property
    def net(self) -> Decimal:
        return sum((one.taxable for one in self.by_rate), NO_MONEY)

    @property
    def tax(self) -> Decimal:
        return sum((one.tax for one in self.by_rate), NO_MONEY)

    @property
    def total(self) -> Decimal:
        return self.net + self.tax


def to_the_cent(amount: Decimal) -> Decimal:
    """Half a cent goes away from zero."""
    return amount.quantize(CENT, rounding=ROUND_HALF_UP)


def totals(lines: Iterable[tuple[Decimal, Decimal]], *, prices_include_tax: bool) -> Totals:
    """Sum up lines, each an amount and the percentage of its tax; the lowest rate comes first."""
    sums: dict[Decimal, Decimal] = defaultdict(Decimal)
    for amount, percent in lines:
        sums[percent.normalize()] += to_the_cent(amount)
    return Totals(tuple(_of_rate(percent, sums[percent], prices_include_tax) for percent in sorted(sums)))


def _of_rate(percent: Decimal, amount: Decimal, prices_include_tax: bool) -> RateTotal:
    if prices_include_tax:
        tax = to_the_cent(amount * percent / (100 + percent))
        return RateTotal(percent, amount - tax, tax)
    return RateTotal(percent, amount, to_the_cent(amount * percent / 100))


def credit_totals(
    lines: Iterable[tuple[Decimal, Decimal]], *, prices_include_tax: bool, left: Iterable[RateTotal], whole: bool
) -> Totals:
    """Sums of a credit note.

    ``left`` is what the invoice's rates hold after earlier credit notes. What takes back the whole of it takes just
    that, cents and all: an invoice and its credit notes come to nothing.
    """
    by_rate = {one.percent.normalize(): one for one in left}
    if whole:
        return Totals(tuple(by_rate[percent] for percent in sorted(by_rate)))
    return totals(lines, prices_include_tax=prices_include_tax)
