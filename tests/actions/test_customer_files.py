"""Customers out of a table: looked at first, columns found or chosen, twins found, taken in once, and taken back."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from portal.actions.customer_files import (
    LOOKED_AT_FOR,
    MOST_TABLE_BYTES,
    keep_columns,
    receive_customers,
    rows_of,
    take_back_customers,
    take_customers,
)
from portal.actions.forget import forget_old
from portal.models import Business, Customer, CustomerFile, Role, User
from tests import factories
from tests.actions.exports import take_in
from tests.factories import NOW

pytestmark = pytest.mark.django_db

TABLE = """Name,Phone,E-mail,Street,Notes
Ida Novak,555-010-1111,ida@homes.example,12 Invented Road,Dog
Ole Berg,(555) 010 2222,,,
,555-010-3333,,,
Una Lund,,una@,,
Finn Moe,,,,
Ida N.,+1 555 010 1111,,,
Old Hand,555-010-9999,,,
"""


@pytest.fixture
def firm() -> Business:
    return factories.business()


@pytest.fixture
def office(firm: Business) -> User:
    return factories.member(firm, Role.OFFICE)


def sent(firm: Business, by: User, text: str | bytes = TABLE) -> CustomerFile:
    data = text.encode() if isinstance(text, str) else text
    return receive_customers(business=firm, data=data, filename="people.csv", by=by, now=NOW)


def test_each_row_says_what_becomes_of_it_and_nothing_is_kept_before(firm: Business, office: User) -> None:
    old = factories.customer(business=firm, name="Old Hand", phone="(555) 0109999", email="")
    factories.customer(business=factories.business(), name="Elsewhere", phone="555-010-2222")
    rows = rows_of(sent(firm, office))
    said = [(row.line, row.kept, row.twin, row.trouble.partition(".")[0]) for row in rows]
    assert said == [
        (2, True, None, ""),
        (3, True, None, ""),
        (4, False, None, "There is no name"),
        (5, False, None, "“una@” is no e-mail address"),
        (6, False, None, "There is neither a phone number nor an e-mail address"),
        (7, False, None, "The same as line 2"),
        (8, False, old, ""),
    ]
    assert Customer.objects.filter(business=firm).count() == 1


def test_taken_in_once_with_the_address_kept_and_nobody_agreed_to_mails(firm: Business, office: User) -> None:
    file = sent(firm, office)
    assert [take_customers(file=file, now=NOW) for _ in range(2)] == [3, 3]
    ida = Customer.objects.get(name="Ida Novak")
    assert (ida.phone, ida.email, ida.notes, ida.consented_on) == (
        "555-010-1111",
        "ida@homes.example",
        "12 Invented Road\nDog",
        None,
    )
    assert CustomerFile.objects.get().table == [], "what it brought stands in the customers' own rows"
    # the same table again brings nobody
    again = sent(firm, office)
    assert [row.twin for row in rows_of(again) if row.line in (2, 3)] == [ida, Customer.objects.get(name="Ole Berg")]
    with pytest.raises(ValidationError, match="No row"):
        take_customers(file=again, now=NOW)


def test_taking_back_leaves_who_has_a_roof_or_a_login_and_who_was_here_before(firm: Business, office: User) -> None:
    before = factories.customer(business=firm, name="Before")
    file = sent(firm, office)
    take_customers(file=file, now=NOW)
    factories.site(customer=Customer.objects.get(name="Ida Novak"))
    Customer.objects.filter(name="Ole Berg").update(user=factories.user())
    assert take_back_customers(file=file, by=office, now=NOW) == (1, 2)
    assert take_back_customers(file=file, by=office, now=NOW) == (0, 2)
    assert set(Customer.objects.values_list("name", flat=True)) == {"Ida Novak", "Ole Berg", before.name}


@pytest.mark.parametrize(
    "text",
    [
        "Nombre;Apellidos;Teléfono\nIda;Novak;555 010 1111\n",
        "Nombre;Apellidos;Teléfono\nIda;Novak;555 010 1111\n".encode("cp1252"),
        b"\xef\xbb\xbfname\tsurname\tphone\r\nIda\tNovak\t555 010 1111\r\n",
        'name,surname,phone\n"Ida","Novak","555 010 1111",,\n\n',
    ],
)
def test_other_dialects_are_read_alike(firm: Business, office: User, text: str | bytes) -> None:
    (row,) = rows_of(sent(firm, office, text))
    assert (row.name, row.phone, row.kept) == ("Ida Novak", "555 010 1111", True)


def test_columns_with_other_names_are_chosen_by_hand(firm: Business, office: User) -> None:
    file = sent(firm, office, "Who,Reach\nIda Novak,555-010-1111\n")
    assert not any(row.kept for row in rows_of(file))
    keep_columns(file=file, columns={"name": 0, "phone": 1, "email": None, "notes": 9, "made up": 0})
    assert file.columns == {"name": 0, "phone": 1}
    assert [row.kept for row in rows_of(file)] == [True]


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "needs a row of names"),
        (b"name,phone\n", "needs a row of names"),
        (b"name\0\n1", "no text"),
        (b"%PDF-1.4\n1 0 obj\n", "no text"),
        (b"x" * (MOST_TABLE_BYTES + 1), "larger than 2 MB"),
        (b"name\n" + b"Ida\n" * 5001, "more than 5000 rows"),
        (b"name\n" + b'"' + b"x" * 200_000, "no table"),
    ],
)
def test_what_is_no_table_gets_a_sentence_and_leaves_nothing(
    firm: Business, office: User, data: bytes, why: str
) -> None:
    with pytest.raises(ValidationError, match=why):
        sent(firm, office, data)
    assert not CustomerFile.objects.exists()


def test_a_table_nobody_took_in_is_forgotten_after_two_days(firm: Business, office: User) -> None:
    old = sent(firm, office)
    CustomerFile.objects.update(at=NOW - LOOKED_AT_FOR - timedelta(minutes=1))
    newer = sent(firm, office)
    forget_old(now=NOW)
    assert list(CustomerFile.objects.all()) == [newer]
    assert old != newer


def test_the_pages_take_a_file_from_looking_to_taking_back(firm: Business, office: User, client: Client) -> None:
    client.force_login(office)
    upload = SimpleUploadedFile("people.csv", TABLE.encode(), "text/csv")
    answer = client.post(reverse("customer_file_new"), {"file": upload}, follow=True)
    assert "Would be entered: 3. Here already: 0. Not to be kept as they are: 4." in answer.content.decode()
    address = reverse("customer_file", args=[CustomerFile.objects.get().pk])
    client.post(address, {"do": "columns", "name": "0", "phone": "1", "email": "", "notes": "x"})
    client.post(address, {"do": "columns", "name": "0", "phone": "1"})
    assert CustomerFile.objects.get().columns == {"name": 0, "phone": 1}
    assert "3 customers are entered." in client.post(address, {"do": "take"}, follow=True).content.decode()
    client.post(address, {"do": "columns", "name": "1"})  # too late: it is taken in
    assert "Taken back: 3." in client.post(address, {"do": "back"}, follow=True).content.decode()
    assert not Customer.objects.exists()
    assert client.post(reverse("customer_file_new"), {}).status_code == 200


@pytest.mark.parametrize(
    "text",
    [
        "Time,PV energy (kWh)\n2026-05-01 12:00,3.2\n2026-05-01 13:00,3.1\n",
        "Date;Time;kWh\n01.05.2026;12:00;3,2\n01.05.2026;13:00;3,1\n",
        "Date,Power [W]\n5/1/2026 1:00 PM,3200\n5/1/2026 2:00 PM,3100\n",
    ],
)
def test_readings_sent_here_are_nobody_and_are_shown_the_way(firm: Business, office: User, text: str) -> None:
    client = Client()
    client.force_login(office)
    upload = SimpleUploadedFile("may.csv", text.encode())
    page = client.post(reverse("customer_file_new"), {"file": upload}).content.decode()
    assert "“may.csv” looks like readings" in page
    assert f'href="{reverse("import_upload")}"' in page
    assert not CustomerFile.objects.exists()


def test_a_customer_with_a_date_and_a_size_is_no_reading(firm: Business, office: User) -> None:
    table = "Name,Phone,Since,kW\nIda Novak,555-010-1111,2024-05-01,7.2\nOle Berg,555-010-2222,2023-02-01,5\n"
    assert [row.kept for row in rows_of(sent(firm, office, table))] == [True, True]


def test_customers_sent_as_readings_are_shown_the_way_too(firm: Business, office: User) -> None:
    site = factories.site(customer=factories.customer(business=firm, user=factories.user()))
    import_ = take_in(factories.meter(site=site), TABLE.replace("una@,", "una@homes.example,"))
    for person, shown in ((office, True), (site.customer.user, False)):
        client = Client()
        assert person is not None
        client.force_login(person)
        page = client.get(reverse("import_ledger", args=[import_.pk])).content.decode()
        assert "looks like a table of customers" in page
        assert (f'href="{reverse("customer_file_new")}"' in page) is shown
