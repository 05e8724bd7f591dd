"""Every address of the portal, asked for by everybody: who gets in, and what the others get.

A new route fails here until it has a line in ``ROUTES``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from django.db import transaction
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from tests.world import World, make_world, utility  # noqa: F401 - pytest finds the fixture by its name

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("utility")]

OWNER = frozenset({"owner"})
OFFICE = frozenset({"owner", "office"})
RIVAL = frozenset({"rival owner"})
SENT = frozenset({"technician"})
TECHNICIANS = frozenset({"technician", "idle technician"})
HOME = frozenset({"homeowner"})
HOMES = frozenset({"homeowner", "neighbour"})
LOGGED_IN = OFFICE | TECHNICIANS | HOMES | RIVAL
EVERYBODY = LOGGED_IN | {"stranger"}
NO_OFFICE = TECHNICIANS | HOMES
"""Those who run no business: an office page is forbidden to them, whatever row it is about."""


@pytest.fixture(scope="module")
def world(django_db_setup: None, django_db_blocker: Any) -> Iterator[World]:
    """Made once: each test is a savepoint in this transaction, and what it changes is taken back."""
    with django_db_blocker.unblock(), transaction.atomic():
        yield make_world()
        transaction.set_rollback(True)


@dataclass(frozen=True)
class Route:
    """Who gets in with ``ok``; everybody else is refused, and a stranger is sent to the log-in page."""

    sees: frozenset[str]
    kwargs: dict[str, str]
    ok: int
    refused: int
    others: dict[int, frozenset[str]]
    """Where one kind of people is refused in another way: 403 for a thing they may see but not do."""
    stranger: int | str
    post: bool


def get(
    sees: frozenset[str],
    *,
    ok: int = 200,
    refused: int = 404,
    forbidden: frozenset[str] = frozenset(),
    stranger: int | str = "log in",
    post: bool = False,
    **kwargs: str,
) -> Route:
    return Route(sees, kwargs, ok, refused, {403: forbidden}, stranger, post)


def post(sees: frozenset[str], *, ok: int = 302, **more: Any) -> Route:
    return get(sees, ok=ok, post=True, **more)


LOOKS = OFFICE | SENT | HOME
"""Who may look at the roof under test."""

ROUTES: dict[str, Route] = {
    "home": get(LOGGED_IN),
    "method": get(EVERYBODY),
    "cautions": get(EVERYBODY),
    "privacy": get(EVERYBODY),
    "language": post(EVERYBODY, stranger=302),
    "design": get(frozenset(), stranger=404),  # for who changes the pages, with DEBUG alone
    "colours": get(EVERYBODY, stranger=200, accent="accent"),  # a pure function of its address
    "live": get(EVERYBODY),
    "ready": get(EVERYBODY),
    # customers and roofs
    "customers": get(OFFICE | RIVAL, refused=403),
    "fleet": get(OFFICE | RIVAL, refused=403),
    "customer_file_new": get(OFFICE | RIVAL, refused=403),
    "customer_file": get(OFFICE, pk="file", forbidden=NO_OFFICE),
    "customers_ask": post(OFFICE | RIVAL, refused=403),
    "customers_csv": get(OFFICE | RIVAL, refused=403),
    "customer_new": get(OFFICE | RIVAL, refused=403),
    "customer": get(OFFICE, pk="customer"),
    "customer_edit": get(OFFICE, pk="customer"),
    "customer_access": post(OFFICE, pk="customer"),
    "customer_data": get(OFFICE | HOME, pk="customer"),
    "customer_erase": post(OFFICE, pk="customer"),
    "site_hand_over": get(OFFICE, pk="site"),
    "site_meters": get(OFFICE, pk="site"),
    "site_correct": post(OFFICE, pk="site"),
    "site_ask": post(HOME, pk="site"),
    "site_rhythm": post(OFFICE | HOME, pk="site"),
    "map": get(OFFICE | RIVAL, refused=403),
    "site_write": post(OFFICE, pk="site", forbidden=NO_OFFICE),
    "site_erase": post(OFFICE, pk="site"),
    "site": get(LOOKS, pk="site"),
    "site_new": get(OFFICE, pk="customer"),
    "site_edit": get(OFFICE, pk="site"),
    # the business
    "business_settings": get(OWNER | RIVAL, refused=403),
    "business_settings_of": get(OWNER, slug="ours", forbidden=NO_OFFICE | {"office"}),
    "business_trail": get(OWNER, slug="ours", forbidden=NO_OFFICE | {"office"}),
    "business_logo": get(OFFICE | TECHNICIANS | HOMES, slug="ours"),
    "member_add": post(OWNER, ok=200, slug="ours", forbidden=NO_OFFICE | {"office"}),
    "member_join": get(RIVAL, token="join"),
    "member_remove": post(OWNER, slug="ours", pk="employee", forbidden=NO_OFFICE | {"office"}),
    "rain": get(OFFICE | RIVAL, refused=403),
    # readings
    "imports": get(OFFICE | HOMES | RIVAL, refused=403),
    "imports_csv": get(OFFICE | RIVAL, refused=403),
    "import_upload": get(OFFICE | HOMES | RIVAL, refused=403),
    "import_ledger": get(OFFICE | HOME, pk="import"),
    "import_state": get(OFFICE | HOME, pk="import"),
    "import_verdict": get(OFFICE | HOME, pk="import"),
    "import_mapping": get(OFFICE | HOME, ok=302, pk="import"),  # no worker has seen a table in it: back to the file
    "import_drawing": get(OFFICE | HOME, pk="import"),
    "import_clock": post(OFFICE | HOME, pk="import"),
    "import_undo": post(OFFICE | HOME, pk="import"),
    "import_rejected": get(OFFICE | HOME, pk="import"),
    "import_original": get(OFFICE | HOME, pk="import"),
    "utility": get(OFFICE | HOME, pk="site"),
    "utility_connect": post(OFFICE | HOME, pk="site"),  # the office is told that only the owner can
    "utility_end": post(OFFICE | HOME, pk="site"),
    "utility_back": get(LOGGED_IN, ok=302),  # an answer that nobody waits for leads home
    "utility_notice": post(EVERYBODY, ok=415),  # a form is no notice
    "tokens": get(OFFICE | HOMES | RIVAL, refused=403),
    "token_revoke": post(OFFICE, pk="token"),
    "api_page": get(EVERYBODY),
    # leads
    "leads": get(OFFICE | RIVAL, refused=403),
    "leads_assign": post(OFFICE | RIVAL, refused=403),
    "leads_csv": get(OFFICE | RIVAL, refused=403),
    "leads_weekly": get(OFFICE | RIVAL, refused=403),
    "lead": get(OFFICE, pk="lead", forbidden=NO_OFFICE),
    "lead_move": post(OFFICE, pk="lead", forbidden=NO_OFFICE),
    "lead_call": post(OFFICE, pk="lead", forbidden=NO_OFFICE),
    "call_undo": post(OFFICE, pk="call", forbidden=NO_OFFICE),
    "lead_note": post(OFFICE, ok=422, pk="lead", forbidden=NO_OFFICE),
    "lead_plan": post(OFFICE, pk="lead", forbidden=NO_OFFICE),
    "lead_wrong": post(OFFICE, pk="lead", forbidden=NO_OFFICE),
    "lead_reopen": post(OFFICE, pk="lead", forbidden=NO_OFFICE),
    "lead_answer": post(OFFICE, pk="lead", forbidden=NO_OFFICE),
    "enquiry": post(OFFICE, pk="enquiry", forbidden=NO_OFFICE),
    "lead_lose": post(OFFICE, ok=422, pk="lead", forbidden=NO_OFFICE),
    # reminders and mail
    "reminders": get(OFFICE | RIVAL, refused=403),
    "reminder_retry": post(OFFICE, pk="reminder", forbidden=NO_OFFICE),
    "mail_rules": get(OFFICE | RIVAL, refused=403),
    "mail_wording": get(OFFICE, slug="ours", kind="due", language="en"),
    "mails": get(OWNER | RIVAL, refused=403),
    "mail": get(frozenset(), pk="reminder", forbidden=NO_OFFICE | {"office"}),
    "clock_confirm": post(OFFICE | RIVAL, refused=403),
    "mails_decide": post(OFFICE, slug="ours"),
    "mail_stop": get(EVERYBODY, token="mail"),
    "mail_choices": get(EVERYBODY, token="mail"),
    # visits
    "visits": get(OFFICE | TECHNICIANS | RIVAL, refused=403),
    "visit_list": get(OFFICE | RIVAL, refused=403),
    "visits_csv": get(OFFICE | RIVAL, refused=403),
    "visit_again": get(EVERYBODY, token="again"),
    "visit_wished": get(EVERYBODY, token="wish"),
    "week": get(OFFICE | RIVAL, refused=403),
    "round_order": post(OFFICE | RIVAL, refused=403),
    "start_keep": post(OFFICE | RIVAL, ok=422, refused=403),
    "day_off_new": post(OFFICE | RIVAL, ok=422, refused=403),
    "day_off_end": post(OFFICE, pk="off", forbidden=NO_OFFICE),
    "visit_book": get(OFFICE | RIVAL, refused=403),
    "visit_quote": get(OFFICE, pk="site"),
    "visit_sheet": get(OFFICE | SENT, pk="visit"),
    "visit_move": get(OFFICE, pk="visit"),
    "visit_call_off": post(OFFICE, pk="visit"),
    "visit_record": get(OFFICE | SENT, pk="visit"),
    "visit_entries": post(OFFICE | SENT, pk="visit"),
    "visit_photos": post(OFFICE | SENT, pk="visit"),
    "visit_finish": post(OFFICE, pk="visit"),
    "visit_reopen": post(OFFICE, pk="done"),
    "visit_photo": get(LOOKS, pk="photo", size="small", stranger=403),
    "visit_referral": post(OFFICE, pk="referral"),
    "visit_report": get(LOOKS, pk="done"),
    "visit_report_pdf": get(LOOKS, pk="done"),
    "visit_report_share": post(OFFICE | HOME, pk="done"),
    "shared_report": get(EVERYBODY, token="link"),
    "shared_ask": post(EVERYBODY, ok=422, token="link"),
    "shared_logo": get(EVERYBODY, token="link"),
    "shared_report_pdf": get(EVERYBODY, token="link"),
    "shared_photo": get(EVERYBODY, token="link", pk="photo", size="small"),
    # invoices: a technician's of their own visits, issued ones; a homeowner's their own
    "invoices": get(OFFICE | RIVAL, refused=403),
    "invoices_csv": get(OFFICE | RIVAL, refused=403),
    "invoices_month": get(OFFICE | RIVAL, refused=403),
    "invoices_month_csv": get(OFFICE | RIVAL, refused=403, what="documents"),
    "invoice": get(LOOKS, pk="invoice"),
    "invoice_pdf": get(LOOKS, pk="invoice"),
    "invoice_draft": post(OFFICE, ok=422, pk="draft"),
    "invoice_credit": post(OFFICE, pk="invoice"),
    "invoice_again": post(OFFICE, pk="invoice"),
    "payment_add": post(OFFICE, ok=422, pk="invoice"),
    "payment_undo": post(OFFICE, pk="payment"),
    "shared_invoice": get(EVERYBODY, token="bill"),
    "shared_invoice_pdf": get(EVERYBODY, token="bill"),
    "visit_worker": get(EVERYBODY),
    "visit_hello": get(LOGGED_IN),
    "calendar": get(OFFICE | TECHNICIANS | RIVAL, refused=403),
    "calendar_feed": get(EVERYBODY, token="feed"),
}

ELSEWHERE = ("admin:", "account_", "mfa_", "usersessions_", "anymail:", "api:")
"""The libraries' own pages: the admin, sign-up and mail services' reports are tried below, second step and devices
in their own tests, the API wants a token (tests of the API)."""


def names(patterns: list[URLPattern | URLResolver], prefix: str = "") -> Iterator[str]:
    for one in patterns:
        if isinstance(one, URLResolver):
            yield from names(one.url_patterns, f"{prefix}{one.namespace}:" if one.namespace else prefix)
        else:
            yield f"{prefix}{one.name}"


def test_every_route_has_a_line_in_the_table() -> None:
    routes = {name for name in names(get_resolver().url_patterns) if not name.startswith(ELSEWHERE)}
    assert routes == set(ROUTES)


@pytest.mark.parametrize("name", sorted(ROUTES))
def test_who_gets_in(name: str, world: World) -> None:
    line = ROUTES[name]
    address = reverse(name, kwargs={key: world.keys[what] for key, what in line.kwargs.items()})
    expected: dict[str, int | str] = dict.fromkeys(EVERYBODY, line.refused)
    expected["stranger"] = line.stranger
    for status, people in line.others.items():
        expected |= dict.fromkeys(people, status)
    expected |= dict.fromkeys(line.sees, line.ok)
    got: dict[str, int | str] = {}
    # those to be refused ask first: what the others do changes the rows
    for person in sorted(EVERYBODY, key=lambda person: (person in line.sees, person)):
        client = Client()
        if person != "stranger":
            client.force_login(world.people[person])
        answer = client.post(address) if line.post else client.get(address)
        answer.getvalue()  # a streamed file is closed once it is read
        to_login = answer.status_code == 302 and "/accounts/login/" in answer["Location"]
        got[person] = "log in" if to_login else answer.status_code
    assert got == expected


@pytest.mark.parametrize("person", sorted(EVERYBODY))
def test_nobody_of_the_portal_gets_into_the_admin(person: str, world: World) -> None:
    client = Client()
    if person != "stranger":
        client.force_login(world.people[person])
    assert client.get(reverse("admin:index")).status_code == 302
