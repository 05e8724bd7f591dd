"""The code for transfers, against EPC069-12 ("Quick Response Code: Guidelines to enable data capture", version 2.1).

Its limits stand in section 3.2 there: version 002, at most 331 bytes, name 70, error correction M, QR version 13 at
most, amounts from 0.01 to 999999999.99, no thousands mark. Published content: "EPC QR code", Wikipedia.
"""

from __future__ import annotations

import io
from decimal import Decimal

import pytest
from PIL import Image
from segno import QRCode, make_qr
from segno.helpers import make_epc_qr

from portal.actions.invoices.transfer_code import as_png, transfer_code
from portal.models import Invoice


def invoice(**fields: object) -> Invoice:
    defaults = {
        "seller_name": "Red Cross of Belgium",
        "iban": "BE72000000001616",
        "bic": "BPOTBEB1",
        "currency": "EUR",
        "year": 2026,
        "number": 7,
    }
    return Invoice(**defaults | fields)


def told(name: str, amount: str, text: str = "2026-0007", bic: str = "BPOTBEB1") -> list[str]:
    """The lines of the standard, in its order: service, version, characters, kind, BIC, name, IBAN, amount, purpose,
    structured reference, text."""
    return ["BCD", "002", "1", "SCT", bic, name, "BE72000000001616", amount, "", "", text]


def content(code: QRCode) -> str:
    """What is in a code: the same modules as one made of these very bytes."""
    return "\n".join("".join(map(str, row)) for row in code.matrix)


def holds(code: QRCode | None, lines: list[str]) -> bool:
    assert code is not None
    same = make_qr("\n".join(lines).encode(), error="m", boost_error=False)
    return content(code) == content(same)


@pytest.mark.parametrize(
    ("amount", "written"), [("1", "EUR1"), ("0.01", "EUR0.01"), ("120.50", "EUR120.5"), ("100.00", "EUR100")]
)
def test_a_code_holds_the_standards_lines(amount: str, written: str) -> None:
    code = transfer_code(invoice(), open_amount=Decimal(amount))
    assert holds(code, told("Red Cross of Belgium", written))
    assert not holds(code, told("Red Cross of Belgium", "EUR2"))


def test_the_longest_content_stays_within_the_standards_limits() -> None:
    code = transfer_code(invoice(seller_name="Ü" * 120, bic="BPOTBEB1XXX"), open_amount=Decimal("99999999.99"))
    assert holds(code, told("Ü" * 70, "EUR99999999.99", bic="BPOTBEB1XXX"))
    assert code is not None
    assert (code.error, int(code.version) <= 13) == ("M", True)
    assert len("\n".join(told("Ü" * 70, "EUR99999999.99", bic="BPOTBEB1XXX")).encode()) <= 331


def test_without_a_bic_its_line_is_empty() -> None:
    assert holds(transfer_code(invoice(bic=""), open_amount=Decimal(1)), told("Red Cross of Belgium", "EUR1", bic=""))


@pytest.mark.parametrize("fields", [{"currency": "USD"}, {"iban": ""}])
def test_where_the_standard_has_none_there_is_none(fields: dict[str, str]) -> None:
    assert transfer_code(invoice(**fields), open_amount=Decimal(1)) is None


def test_nothing_open_needs_no_code() -> None:
    assert transfer_code(invoice(), open_amount=Decimal(0)) is None
    assert transfer_code(invoice(), open_amount=Decimal("-3")) is None


def test_the_library_writes_the_standards_own_example() -> None:
    """EPC069-12 version 2.1, example 1; it is 96 bytes there, with a line less for the empty text."""
    code = make_epc_qr(
        name="Franz Mustermänn",
        iban="DE71110220330123456789",
        amount=Decimal("12.30"),
        reference="RF18539007547034",
        bic="BHBLDEHHXXX",
        purpose="GDDS",
        encoding="utf-8",
    )
    lines = ["BCD", "002", "1", "SCT", "BHBLDEHHXXX", "Franz Mustermänn", "DE71110220330123456789", "EUR12.3", "GDDS"]
    assert holds(code, [*lines, "RF18539007547034"])


def test_the_picture_has_the_quiet_zone_that_readers_want() -> None:
    code = transfer_code(invoice(), open_amount=Decimal(1))
    assert code is not None
    with Image.open(io.BytesIO(as_png(code))) as drawn:
        modules = 17 + 4 * int(code.version)  # ISO/IEC 18004: 21 for version 1, four more each
        assert drawn.size == (8 * (modules + 8),) * 2
        assert {drawn.convert("L").getpixel((x, 8 * 4 - 1)) for x in range(drawn.width)} == {255}
