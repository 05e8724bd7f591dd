"""Sums to the cent, against the example invoices that come with the validator of EN 16931.

https://github.com/ConnectingEurope/eInvoicing-EN16931, folder ubl/examples: their lines go in, their totals must
come out.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from portal.actions.invoices.totals import RateTotal, Totals, credit_totals, totals

Lines = list[tuple[str, str]]

EXAMPLE_1: Lines = [
    *((amount, "6") for amount in ("19.90", "9.85", "8.29", "14.46", "35.00", "35.00", "10.65", "1.55", "14.37")),
    *((amount, "6") for amount in ("8.29", "16.58", "9.95", "3.30", "3.90", "102.12", "-109.98")),
    *((amount, "21") for amount in ("10.80", "7.60", "9.34", "18.63")),
]
"""ubl-tc434-example1.xml: two rates, twenty lines, a return."""

EXAMPLE_2: Lines = [
    ("1273.00", "25"),
    ("-3.96", "15"),
    ("4.96", "15"),
    ("-25.00", "0"),
    ("187.50", "25"),
    ("-100.00", "25"),
    ("100.00", "25"),
]
"""ubl-tc434-example2.xml: three rates, a discount and freight; 25 % of 1460.50 is 365.125, printed as 365.13."""


def money(lines: Lines) -> list[tuple[Decimal, Decimal]]:
    return [(Decimal(amount), Decimal(percent)) for amount, percent in lines]


@pytest.mark.parametrize(
    ("lines", "by_rate", "net", "tax", "total"),
    [
        (EXAMPLE_1, [("6", "183.23", "10.99"), ("21", "46.37", "9.74")], "229.60", "20.73", "250.33"),
        (
            EXAMPLE_2,
            [("0", "-25.00", "0.00"), ("15", "1.00", "0.15"), ("25", "1460.50", "365.13")],
            "1436.50",
            "365.28",
            "1801.78",
        ),
    ],
    ids=["example 1", "example 2"],
)
def test_the_standards_examples_come_out_to_the_cent(
    lines: Lines, by_rate: list[tuple[str, str, str]], net: str, tax: str, total: str
) -> None:
    sums = totals(money(lines), prices_include_tax=False)
    assert [(one.percent, one.taxable, one.tax) for one in sums.by_rate] == [
        tuple(map(Decimal, one)) for one in by_rate
    ]
    assert (sums.net, sums.tax, sums.total) == (Decimal(net), Decimal(tax), Decimal(total))


def test_tax_is_rounded_once_a_rate_and_not_once_a_line() -> None:
    # three lines of 0.33 at 10 %: a cent each would be 0.09 rounded line by line, but 0.10 of their sum
    assert totals(money([("0.33", "10")] * 3), prices_include_tax=False).tax == Decimal("0.10")


def test_prices_with_tax_come_to_what_was_agreed() -> None:
    # A ticket of 857.76 with 19 % in it is 720.81 net: cii/examples/CII-BR-CO-10-RoundingIssue.xml of the same source.
    sums = totals(money([("857.76", "19")]), prices_include_tax=True)
    assert (sums.net, sums.tax, sums.total) == (Decimal("720.81"), Decimal("136.95"), Decimal("857.76"))


cents = st.decimals(min_value="0.01", max_value="9999.99", places=2)
rates = st.sampled_from(["0", "4", "5.5", "10", "19", "21", "25"]).map(Decimal)
lines_of = st.lists(st.tuples(cents, rates), min_size=1, max_size=8)


@given(lines_of)
def test_prices_with_tax_are_never_a_cent_off_the_agreed_sum_and_their_tax_is_within_one_of_the_rule(
    lines: list[tuple[Decimal, Decimal]],
) -> None:
    sums = totals(lines, prices_include_tax=True)
    assert sums.total == sum(amount for amount, _percent in lines)
    for one in sums.by_rate:
        assert abs(one.taxable * one.percent / 100 - one.tax) <= Decimal("0.01")


@given(lines_of, st.booleans(), st.data())
def test_an_invoice_and_its_credit_notes_come_to_nothing(
    lines: list[tuple[Decimal, Decimal]], inclusive: bool, data: st.DataObject
) -> None:
    whole = totals(lines, prices_include_tax=inclusive)
    first = [
        (data.draw(st.decimals(min_value="0.01", max_value=amount, places=2)), percent) for amount, percent in lines
    ]
    part = credit_totals(first, prices_include_tax=inclusive, left=whole.by_rate, whole=False)
    left = [
        RateTotal(one.percent, one.taxable - back.taxable, one.tax - back.tax)
        for one, back in zip(whole.by_rate, part.by_rate, strict=True)
    ]
    rest = credit_totals([], prices_include_tax=inclusive, left=left, whole=True)
    assert part.total + rest.total == whole.total
    assert part.tax + rest.tax == whole.tax


def test_nothing_comes_to_nothing() -> None:
    assert totals([], prices_include_tax=False) == Totals(())
    assert Totals(()).total == 0
