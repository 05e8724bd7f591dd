"""The code that a bank's app reads to fill in a transfer in euros (EPC069-12, European Payments Council)."""

from __future__ import annotations

import io
from decimal import Decimal

from segno import QRCode
from segno.helpers import make_epc_qr

from portal.models import Invoice

CURRENCY = "EUR"
LONGEST_NAME = 70
"""Characters of a beneficiary's name. EPC069-12 v2.1, section 3.2."""


def transfer_code(invoice: Invoice, *, open_amount: Decimal) -> QRCode | None:
    """The code for what is open of an issued invoice; None where the standard has none, or nothing is open."""
    if invoice.currency != CURRENCY or not invoice.iban or open_amount <= 0:
        return None
    return make_epc_qr(
        name=invoice.seller_name[:LONGEST_NAME],
        iban=invoice.iban,
        amount=open_amount,
        text=invoice.label,
        bic=invoice.bic or None,
        encoding="utf-8",
    )


def as_png(code: QRCode) -> bytes:
    """A picture of it, with the four modules of quiet zone that readers want (ISO/IEC 18004)."""
    out = io.BytesIO()
    code.save(out, kind="png", scale=8, border=4)
    return out.getvalue()
