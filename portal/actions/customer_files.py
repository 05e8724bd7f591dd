"""A table of customers taken in with care: looked at first, which column is what, who is here already, and undo."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.utils.translation import gettext as _

from portal.actions.erase import erase_customer
from portal.models import Business, Customer, CustomerFile, User

MOST_TABLE_BYTES = 2 * 1024 * 1024
MOST_CUSTOMERS = 5000
"""Bytes and rows of a table of customers; far more than a small firm has. Bounds on the work, no source."""
LOOKED_AT_FOR = timedelta(days=2)
"""A table that nobody took in by then is forgotten: it names people. Common practice, no source."""
FEWEST_DIGITS = 6
"""Shorter numbers are no phone numbers that tell two people apart. [digits] Common practice, no source."""

HEADS = {
    "name": ("name", "full name", "customer", "customer name", "nombre", "nombre completo", "cliente"),
    "surname": ("surname", "last name", "family name", "apellido", "apellidos"),
    "phone": ("phone", "telephone", "mobile", "tel", "teléfono", "telefono", "móvil", "movil"),
    "email": ("email", "e-mail", "mail", "correo", "correo electrónico"),
    "address": ("address", "street", "dirección", "direccion", "calle"),
    "notes": ("notes", "note", "remarks", "notas", "nota"),
}
"""What a column is called that holds a fact, in lower case."""
LONGEST_FACT = {"name": 120, "phone": 40, "email": 254}


MOMENT = re.compile(r"\d{1,4}[-/.:]\d{1,2}")
A_WORD = re.compile(r"[^\W\d_]{3,}")
READINGS = 0.8
"""Share of the rows with a date or time, a figure and no word: a table of readings names nobody. Common practice, no
source."""
LOOKED_AT_ROWS = 50
"""Rows by which a table of readings is told from one of customers. A bound on the work, no source."""


class LooksLikeReadings(ValidationError):
    """The table is one of readings, sent to the wrong page."""


@dataclass(frozen=True, slots=True)
class CustomerRow:
    """One row of the table as it would be kept, or why it would not."""

    line: int
    name: str
    phone: str
    email: str
    notes: str
    trouble: str = ""
    twin: Customer | None = None
    """Who is here already with this address or number."""

    @property
    def kept(self) -> bool:
        return not self.trouble and self.twin is None


def receive_customers(*, business: Business, data: bytes, filename: str, by: User, now: datetime) -> CustomerFile:
    """Keep a table to be looked at. Nothing of it is a customer yet."""
    table = _read(data)
    if _of_readings(table):
        raise LooksLikeReadings(
            _("“{filename}” looks like readings: its lines have dates and figures, and no names.").format(
                filename=filename[:80]
            )
        )
    return CustomerFile.objects.create(
        business=business, by=by, at=now, filename=filename[:200], table=table, columns=_guess(table[0])
    )


def _read(data: bytes) -> list[list[str]]:
    """Rows of the text, each as long as the head."""
    if len(data) > MOST_TABLE_BYTES:
        raise ValidationError(_("The file is larger than 2 MB. Send it in parts."))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
    if "\0" in text or text.lstrip().startswith("%PDF"):
        raise ValidationError(_("This is no text. Save the sheet as CSV and send that."))
    head = text.lstrip().split("\n", 1)[0]
    delimiter = max(",;\t", key=head.count)
    try:
        rows = [[cell.strip() for cell in row] for row in csv.reader(io.StringIO(text), delimiter=delimiter)]
    except csv.Error as problem:
        raise ValidationError(_("This is no table: {problem}").format(problem=problem)) from None
    rows = [row for row in rows if any(row)]
    if len(rows) < 2:
        raise ValidationError(_("The table needs a row of names for its columns, and a row for each customer."))
    if len(rows) > MOST_CUSTOMERS + 1:
        raise ValidationError(_("The table has more than {count} rows. Send it in parts.").format(count=MOST_CUSTOMERS))
    wide = len(rows[0])
    return [(row + [""] * wide)[:wide] for row in rows]


def _of_readings(table: Sequence[Sequence[str]]) -> bool:
    """Whether the rows hold moments and figures, and nothing that could be a name."""
    rows = table[1 : LOOKED_AT_ROWS + 1]
    alike = [
        row
        for row in rows
        if any(MOMENT.match(cell) for cell in row)
        and sum(any(sign.isdigit() for sign in cell) for cell in row) > 1
        and not any(A_WORD.search(cell) or "@" in cell for cell in row)
    ]
    return len(alike) >= READINGS * len(rows)


def _guess(head: Sequence[str]) -> dict[str, int]:
    """Which column holds what, by what it is called."""
    found: dict[str, int] = {}
    for number, called in enumerate(head):
        for fact, names in HEADS.items():
            if fact not in found and number not in found.values() and called.casefold() in names:
                found[fact] = number
    return found


def keep_columns(*, file: CustomerFile, columns: Mapping[str, int | None]) -> None:
    """Keep which column is what, as somebody said it."""
    wide = len(file.table[0]) if file.table else 0
    file.columns = {fact: at for fact, at in columns.items() if fact in HEADS and at is not None and 0 <= at < wide}
    file.save(update_fields=["columns"])


def rows_of(file: CustomerFile) -> list[CustomerRow]:
    """Each row as it would be kept now: twice in the table, or here already, is not kept again."""
    here = list(Customer.objects.filter(business=file.business_id))
    by_email = {one.email.casefold(): one for one in here if one.email}
    by_phone = {digits: one for one in here if (digits := _digits(one.phone))}
    seen: dict[str, int] = {}
    rows = []
    for number, cells in enumerate(file.table[1:], start=2):
        given = {fact: cells[at] for fact, at in file.columns.items()}
        row = _row(number, given)
        keys = [key for key in (row.email.casefold(), _digits(row.phone)) if key]
        twin = next((one for key in keys if (one := by_email.get(key) or by_phone.get(key))), None)
        trouble = row.trouble
        if not trouble and (first := next((seen[key] for key in keys if key in seen), None)):
            trouble = _("The same as line {line}.").format(line=first)
        for key in keys:
            seen.setdefault(key, number)
        rows.append(CustomerRow(row.line, row.name, row.phone, row.email, row.notes, trouble, twin))
    return rows


def _row(line: int, given: Mapping[str, str]) -> CustomerRow:
    name = f"{given.get('name', '')} {given.get('surname', '')}".strip()
    phone, email = given.get("phone", ""), given.get("email", "").lower()
    notes = "\n".join(part for part in (given.get("address", ""), given.get("notes", "")) if part)
    trouble = ""
    if not name:
        trouble = _("There is no name.")
    elif not phone and not email:
        trouble = _("There is neither a phone number nor an e-mail address.")
    elif any(len(value) > LONGEST_FACT[fact] for fact, value in (("name", name), ("phone", phone), ("email", email))):
        trouble = _("Something is too long. Is each column what it should be?")
    elif email:
        try:
            validate_email(email)
        except ValidationError:
            trouble = _("“{email}” is no e-mail address.").format(email=email)
    return CustomerRow(line, name, phone, email, notes, trouble)


def _digits(phone: str) -> str:
    """A number without what people write around it; its end, since a country's code may stand before it."""
    digits = re.sub(r"\D", "", phone)
    return digits[-9:] if len(digits) >= FEWEST_DIGITS else ""


@transaction.atomic
def take_customers(*, file: CustomerFile, now: datetime) -> int:
    """Make customers of the rows that can be kept; returns how many. Pressed twice it is once.

    Nobody of them agreed to be written to by that: somebody has to ask them.
    """
    Business.objects.select_for_update(of=("self",)).get(pk=file.business_id)
    file = CustomerFile.objects.select_for_update(of=("self",)).select_related("business").get(pk=file.pk)
    if file.taken_at is not None:
        return file.customers.count()
    language = file.business.language
    fresh = [
        Customer(
            business=file.business,
            name=row.name,
            phone=row.phone,
            email=row.email,
            notes=row.notes,
            language=language,
            came_with=file,
        )
        for row in rows_of(file)
        if row.kept
    ]
    if not fresh:
        raise ValidationError(_("No row of it can be kept as it is."))
    Customer.objects.bulk_create(fresh)
    file.taken_at, file.table = now, []
    file.save(update_fields=["taken_at", "table"])
    return len(fresh)


@transaction.atomic
def take_back_customers(*, file: CustomerFile, by: User, now: datetime) -> tuple[int, int]:
    """Erase the customers a table brought; who has a roof or a login by now stays. Returns how many went and stayed."""
    file = CustomerFile.objects.select_for_update(of=("self",)).get(pk=file.pk)
    went = 0
    for customer in file.customers.filter(sites=None, user=None).select_related("business"):
        erase_customer(customer=customer, by=by, now=now)
        went += 1
    file.undone_at = now
    file.save(update_fields=["undone_at"])
    return went, file.customers.count()
