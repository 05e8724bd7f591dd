"""One roof, one answer: every page, mail, file and API call tells each reader the same state, advice and figures."""

from __future__ import annotations

import html
import io
import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

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
from portal.words.advice import advice, advice_in_a_row, headline, loss_in_a_row, money_line, sign
from tests import factories

pytestmark = pytest.mark.django_db
TODAY = timezone.now().date()

CONTRADICT = (
    ("The panels are dirty", "clean enough"),
    ("The panels are dirty", "Nothing to wash yet"),
    ("The panels are dirty", "What it gained is not known yet"),
    ("The panels are dirty", "A wash will not mend it"),
    ("The panels are dirty", "No readings since"),
    ("clean enough", "Nothing to wash yet"),
    ("clean enough", "Wash now"),
    ("Nothing to wash yet", "Wash now"),
    ("Wash now", "would not pay"),
    ("Wash now", "Leave them for now"),
    ("Wash now", "Wait until"),
    ("Wash now", "Wait for"),
    ("Wash now", "A wash will not mend it"),
    ("would not pay", "Leave them for now"),
    ("would not pay", "Wait until"),
    ("would not pay", "is due for a wash"),
    ("No readings since", "Wash now"),
    ("No readings since", "is lost to dirt"),
    ("What it gained is not known yet", "is lost to dirt"),
    ("What it gained is not known yet", "Wash now"),
    ("How much dirt it took is not known yet", "is lost to dirt"),
    ("How much dirt it took is not known yet", "Wash now"),
    ("readings cannot tell yet", "is lost to dirt"),
)
"""Sentences of which no roof may be told both."""


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
    return {name: text.replace("\N{NO-BREAK SPACE}", " ") for name, text in said.items()}


def words_of(page: str) -> str:
    page = re.sub(r"<(script|style|svg)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


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
        for one, other in CONTRADICT:
            assert not (one in text and other in text), (name, one, other)
        wanted: tuple[str, ...]
        if name in ("leads", "customers", "standing"):
            state = str(told.state) if name == "standing" else sign(told).word
            wanted = (state, advice_in_a_row(told), loss_in_a_row(told))
        elif name in ("office's first page", "technician's day", "sheet", "customer"):
            wanted = (headline(told),)
        else:
            wanted = (headline(told), advice(told), money_line(told))
        for words in wanted:
            assert words.replace("\N{NO-BREAK SPACE}", " ") in text, (name, words)


def test_every_sentence_of_the_table_can_be_said() -> None:
    """Else the table would hold against nothing."""
    said: list[str] = []
    for scene in SCENES:
        site = factories.site()
        scene(site)
        told = recommendation(site, now=timezone.now())
        said += [headline(told), advice(told), money_line(told), str(told.loss and "is lost to dirt")]
    everything: Any = " ".join(said)
    idle = {one for pair in CONTRADICT for one in pair if one not in everything}
    assert idle <= {"How much dirt it took is not known yet", "Wait until", "Wait for", "is due for a wash"}


def test_a_booked_day_is_the_roofs_own_and_said_as_every_other_day() -> None:
    site = factories.site(tz="America/Los_Angeles")
    starts = datetime(TODAY.year + 1, 3, 8, 5, 30, tzinfo=UTC)  # half past nine in the evening of the 7th
    factories.visit(site=site, starts_at=starts)
    said = advice(recommendation(site, now=timezone.now()))
    assert said.startswith(f"A visit is booked for 7 March {TODAY.year + 1}. ")
