"""One roof, one answer: every page, mail, file and API call tells each reader the same state, advice and figures."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
from django.core.management import call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.actions.advice import recommendation
from portal.actions.mail.facts import wash_facts
from portal.actions.tokens import make_token
from portal.models import Reminder, ReminderKind, Role, Site, User, Visit, VisitState
from portal.pv.advice import State
from portal.words.advice import advice, advice_in_a_row, headline, loss_in_a_row, money_line, sign, why
from portal.words.catalogues import CATALOGUE, SOURCES, read_catalogue
from tests import factories
from tests.told import FIGURES, of_template, one_line, pairs, words_of, wrong_in

pytestmark = pytest.mark.django_db
TODAY = timezone.now().date()


def dirty(site: Site) -> None:
    factories.assessment(site=site, as_of=TODAY, clean_due=TODAY)


def waits(site: Site) -> None:
    factories.assessment(site=site, as_of=TODAY, clean_due=TODAY + timedelta(days=70))


def would_not_pay(site: Site) -> None:
    factories.assessment(site=site, as_of=TODAY, clean_due=None)


def clean(site: Site) -> None:
    factories.assessment(site=site, as_of=TODAY, verdict="clean", clean_due=None, present_loss=0.01, loss_low=0.0)


def unsure(site: Site) -> None:
    factories.assessment(site=site, as_of=TODAY, verdict="unsure", clean_due=TODAY + timedelta(days=90))


def broken(site: Site) -> None:
    factories.assessment(site=site, as_of=TODAY, verdict="other fault", cause="string_loss", clean_due=None)


def cannot_tell(site: Site) -> None:
    nothing = dict.fromkeys(("present_loss", "loss_low", "loss_high", "value_lost_per_month"))
    factories.assessment(
        site=site, as_of=TODAY, verdict="not enough data", due_basis="calendar", clean_due=None, **nothing
    )


def washed(site: Site) -> None:
    """Dirty by the readings of two days ago, and washed yesterday."""
    dirty(site)
    then = timezone.now() - timedelta(days=1)
    factories.visit(site=site, state=VisitState.DONE, starts_at=then, finished_at=then)


def silent(site: Site) -> None:
    factories.assessment(site=site, as_of=TODAY, clean_due=TODAY, readings_until=TODAY - timedelta(days=30))


SCENES: dict[Callable[[Site], None], State] = {
    dirty: State.DIRTY,
    waits: State.DIRTY,
    would_not_pay: State.DIRTY,
    clean: State.CLEAN,
    unsure: State.UNSURE,
    broken: State.NOT_DIRT,
    cannot_tell: State.CANNOT_TELL,
    washed: State.JUST_WASHED,
    silent: State.NO_READINGS,
}


def told_of(site: Site, visit: Visit, people: dict[str, User]) -> dict[str, str]:
    """All that is said of one roof, by where."""
    lead = factories.lead(site=site)
    pages = {
        "homeowner's home": ("homeowner", reverse("home")),
        "homeowner's page": ("homeowner", reverse("site", args=[site.pk])),
        "office's page": ("office", reverse("site", args=[site.pk])),
        "office's first page": ("office", reverse("home")),
        "leads": ("office", reverse("leads")),
        "lead": ("office", reverse("lead", args=[lead.pk])),
        "customers": ("office", reverse("customers")),
        "customer": ("office", reverse("customer", args=[site.customer.pk])),
        "booking": ("office", f"{reverse('visit_book')}?site={site.pk}"),
        "technician's day": ("technician", reverse("home")),
        "technician's page": ("technician", reverse("site", args=[site.pk])),
        "sheet": ("technician", reverse("visit_sheet", args=[visit.pk])),
    }
    said = {}
    for name, (who, address) in pages.items():
        client = Client()
        client.force_login(people[who])
        answer = client.get(address)
        assert answer.status_code == 200, name
        said[name] = words_of(answer.content.decode())
    _, secret = make_token(name="script", created_by=people["office"], now=timezone.now(), site=site)
    answer = Client().get(f"/api/sites/{site.pk}/assessment", headers={"Authorization": f"Bearer {secret}"})
    said["API"] = " ".join(str(one) for one in json.loads(answer.content).values())
    out = io.StringIO()
    call_command("standing", stdout=out)
    said["standing"] = words_of(out.getvalue())
    reminder = Reminder(kind=ReminderKind.DUE, site=site, business=site.customer.business, customer=site.customer)
    said["mail"] = " ".join(wash_facts(reminder, timezone.now()).values())
    return {name: one_line(text) for name, text in said.items()}


@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.__name__)
def test_a_roof_is_told_alike_everywhere_and_nothing_contradicts(scene: Callable[[Site], None]) -> None:
    owner = factories.user()
    site = factories.site(customer=factories.customer(user=owner))
    scene(site)
    technician = factories.member(site.customer.business, Role.TECHNICIAN)
    people = {
        "homeowner": owner,
        "office": factories.member(site.customer.business, Role.OFFICE),
        "technician": technician,
    }
    visit = factories.visit(site=site, technicians=(technician,), starts_at=timezone.now())
    told = recommendation(site, now=timezone.now())
    assert told.state == SCENES[scene]
    for name, text in told_of(site, visit, people).items():
        assert wrong_in(text, told) == [], name
        wanted: tuple[str, ...]
        if name in ("leads", "customers", "standing"):
            state = str(told.state) if name == "standing" else sign(told).word
            wanted = (state, advice_in_a_row(told), loss_in_a_row(told))
        elif name in ("office's first page", "technician's day", "sheet", "customer"):
            wanted = (headline(told),)
        else:
            wanted = (headline(told), advice(told), money_line(told))
        for words in wanted:
            assert one_line(words) in text, (name, words)


def test_every_sentence_of_the_tables_is_one_of_the_catalogue() -> None:
    """Else they would hold against nothing."""
    known = {
        one
        for message in read_catalogue("es", SOURCES / "es" / CATALOGUE)
        for one in (message.id if isinstance(message.id, tuple) else (message.id,))
    }
    held = {one for pair in pairs() for one in pair} | set(FIGURES)
    left = {one for one in held if one.removeprefix("Next: ") not in known and of_template(one) not in known}
    assert not left


def test_what_contradicts_is_found() -> None:
    site = factories.site()
    dirty(site)
    told = recommendation(site, now=timezone.now())
    right = f"{headline(told)} {why(told)} {advice(told)} {money_line(told)}"
    assert wrong_in(one_line(right), told) == []
    for more, found in (
        ("The panels are clean enough.", "state clean, not dirty"),
        ("A wash would not pay at this price now.", "advice would not pay, not wash"),
        ("Dirt costs about $16 a month (likely $11 to $19).", "figure: Dirt costs about $16"),
        ("The modules are clean enough.", "both: 'The panels are dirty.' and 'The modules are clean enough.'"),
        ("Next: Ask for a wash. A visit is booked for 3 May 2026.", "and 'Next: Ask for a wash'"),
    ):
        assert any(found in one for one in wrong_in(one_line(f"{right} {more}"), told)), more


def test_a_booked_day_is_the_roofs_own_and_said_as_every_other_day() -> None:
    site = factories.site(tz="America/Los_Angeles")
    starts = datetime(TODAY.year + 1, 3, 8, 5, 30, tzinfo=UTC)  # half past nine in the evening of the 7th
    factories.visit(site=site, starts_at=starts)
    said = advice(recommendation(site, now=timezone.now()))
    assert said.startswith(f"A visit is booked for 7 March {TODAY.year + 1}. ")


@pytest.mark.parametrize(
    ("days", "begins"),
    [
        (1, "A visit is booked for 9 May 2026. "),
        (0, "A visit is booked for 8 May 2026. "),  # its hours are over, and the crew may still write
        (-1, "A visit was booked for 7 May 2026, and nobody noted yet what came of it. "),
    ],
)
def test_a_visit_stays_one_until_somebody_notes_what_came_of_it(days: int, begins: str) -> None:
    site = factories.site(tz="America/Los_Angeles")
    noon = datetime(2026, 5, 8, 19, tzinfo=UTC)
    factories.visit(site=site, starts_at=noon + timedelta(days=days))
    assert advice(recommendation(site, now=noon + timedelta(hours=7))).startswith(begins)


def test_of_visits_gone_by_and_ahead_the_next_is_told() -> None:
    site = factories.site(tz="America/Los_Angeles")
    noon = datetime(2026, 5, 8, 19, tzinfo=UTC)
    for days in (-9, 4, 2, -1):
        factories.visit(site=site, starts_at=noon + timedelta(days=days))
    assert advice(recommendation(site, now=noon)).startswith("A visit is booked for 10 May 2026. ")
