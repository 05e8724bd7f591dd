"""A walk over the demo: each page, mail, file and API answer tells everybody the same of every roof.

In the ordinary run roofs of seven kinds on one day, on the pages that tell of a roof. With the benchmarks all roofs at
five dates of the year, on whatever the table of all routes shows: a new page is walked by itself.
"""

from __future__ import annotations

import io
import json
import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pypdf
import pytest
from django.db.models import Q
from django.http import HttpResponseBase
from django.test import Client
from django.urls import reverse
from django.utils import timezone, translation

from fixtures.demo import load_demo
from fixtures.firm import FIRMS
from fixtures.household import Firm
from portal.actions.advice import recommendations
from portal.actions.invoices.issue import invoice_token
from portal.actions.mail.compose import compose
from portal.actions.mail.recipient import again_token, recipient, token_for, wish_token
from portal.actions.nights import assess_next, start_night
from portal.actions.proof import link_token, share_report, update_proofs
from portal.actions.reminders.kinds import kind_of
from portal.actions.reminders.moot import why_not
from portal.actions.tokens import make_token
from portal.models import (
    Business,
    Invoice,
    Lead,
    Membership,
    Referral,
    Reminder,
    Site,
    User,
    Visit,
    VisitPhoto,
    VisitState,
)
from portal.pv.recommend import Recommendation
from portal.words.advice import advice, advice_in_a_row, headline, loss_in_a_row, money_line, sign
from tests.fixtures.test_dry_season import KEYS, shows_the_main_job
from tests.test_who_sees_what import ROUTES
from tests.told import one_line, told_in, words_of, wrong_in

WITH_A_WAY_OF_THEIR_OWN = (*KEYS, "etxeberri", "beaumarchand")
"""Due now, washed with a proven gain, just washed; at fault; without readings."""
SOME = (
    replace(
        FIRMS[0],
        customers=tuple(c for c in FIRMS[0].customers if c.key.split(".")[-1] in WITH_A_WAY_OF_THEIR_OWN),
        workers=tuple(
            worker for worker in FIRMS[0].workers if worker.mailbox != "owner"
        ),  # who sees what the office does
    ),
)
NO_WORDS = ("application/json", "text/javascript", "application/zip", "text/css")
BOOKING = "visit_book"
TELLING = (
    *("site", "customer", "lead", BOOKING, "visit_sheet", "visit_record", "visit_report", "visit_report_pdf"),
    *("shared_report", "shared_report_pdf", "import_state", "import_ledger", "import_verdict"),
)
"""Pages that tell of one roof; that no other does, the long run sees."""
TELLING_OF_SEVERAL = ("home", "leads", "leads_csv", "customers", "visits")
OF_NO_ROOF = {"due": "due", "en": "en", "small": "small", "documents": "documents", "accent": "2e7d32"}
"""Places in addresses that name no roof."""
TELLS_ALL = ("site", "lead", BOOKING)
"""Pages that say all that is to be said of a roof."""
ROWS = {"leads": ("row", "loss"), "customers": ("row", "loss", "sign")}
"""Lists that say it in a row."""


@dataclass
class Walk:
    """The demo at a moment, and what was found wrong on the way."""

    now: datetime
    told: dict[int, Recommendation]
    sites: dict[int, Site]
    wrong: list[str] = field(default_factory=list)
    seen: dict[int, set[str]] = field(default_factory=lambda: defaultdict(set))
    """Pages that told of each roof."""

    def look(self, where: str, text: str, site: int, language: str, *, wanted: Sequence[str] = ()) -> None:
        """What some words tell of a roof."""
        told = self.told[site]
        with translation.override(language):
            found = told_in(text)
            wrong = wrong_in(text, told)
            if found.states or found.acts or found.figures:
                self.seen[site].add(where.partition(" ")[0])
            ways = {"headline": headline, "advice": advice, "money": money_line, "row": advice_in_a_row}
            ways |= {"loss": loss_in_a_row, "sign": lambda told: sign(told).word}
            wrong += [f"not said: {what}" for what in wanted if one_line(ways[what](told)) not in text]
        who = self.sites[site].customer.name
        self.wrong += [f"{where} ({language}), {who}: {one}" for one in wrong]

    def parts(self, text: str) -> dict[int, str]:
        """A list's words by the customers they are about: all that stands after each one's name."""
        names = {site.customer.name: pk for pk, site in self.sites.items()}
        cuts = [(found.start(), names[found[0]]) for found in re.finditer("|".join(map(re.escape, names)), text)]
        said: dict[int, str] = defaultdict(str)
        for number, (start, site) in enumerate(cuts, start=1):
            said[site] += text[start : cuts[number][0] if number < len(cuts) else len(text)]
        return said


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Sets the clock that Django gives to views."""

    def stand(now: datetime) -> None:
        monkeypatch.setattr(timezone, "now", lambda: now)

    return stand


def demo_at(day: str, firms: tuple[Firm, ...], clock: Any) -> Walk:
    """The demo as of a day, the night after it assessed."""
    now = datetime.fromisoformat(f"{day}T19:30").replace(tzinfo=UTC)
    clock(now)
    load_demo(now=now, firms=firms)
    night = now + timedelta(hours=10)
    clock(night)
    start_night(now=night)
    while assess_next(now=night):
        pass
    update_proofs(now=night)
    sites = {site.pk: site for site in Site.objects.select_related("customer__business", "customer__user")}
    return Walk(night, recommendations(sites.values(), now=night), sites)


def keys_of(site: Site, now: datetime) -> dict[str, Any]:
    """What the routes' places are called for one roof; what it has none of is left out."""
    visits = Visit.objects.filter(site=site).order_by("-starts_at")
    done = visits.filter(state=VisitState.DONE).first()
    booked = visits.filter(state=VisitState.BOOKED).first()
    lead, file = Lead.objects.filter(site=site).order_by("-pk").first(), site.meters.first()
    sent = file.imports.first() if file else None
    invoice = Invoice.objects.issued().filter(customer=site.customer).first()
    found = {
        "customer": site.customer.pk,
        "site": site.pk,
        "lead": lead and lead.pk,
        "visit": booked and booked.pk,
        "done": done and done.pk,
        "photo": VisitPhoto.objects.filter(visit=done).values_list("pk", flat=True).first() if done else None,
        "link": link_token(share_report(visit=done, now=now)) if done else None,
        "again": again_token(booked) if booked else None,
        "wish": wish_token(site),
        "import": sent and sent.pk,
        "reminder": Reminder.objects.filter(site=site).values_list("pk", flat=True).first(),
        "referral": Referral.objects.filter(visit__site=site).values_list("pk", flat=True).first(),
        "invoice": invoice and invoice.pk,
        "bill": invoice and invoice_token(invoice),
        "mail": token_for({"customer": site.customer.pk}),
        "ours": site.customer.business.slug,
    }
    return OF_NO_ROOF | {name: key for name, key in found.items() if key is not None}


def of_one_roof(name: str) -> bool:
    """Whether a route's page is about one roof, and not a firm's or an example."""
    return name == BOOKING or not set(ROUTES[name].kwargs.values()) <= {*OF_NO_ROOF, "ours"}


def words_in(answer: HttpResponseBase) -> str:
    """The words of a page, a PDF or a file; none of what holds no words."""
    kind = answer["Content-Type"].partition(";")[0]
    content = answer.getvalue()
    if kind == "application/pdf":
        return one_line(" ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(content)).pages))
    if kind.startswith("image/") or kind in NO_WORDS:
        return ""
    return words_of(content.decode())


def walk_pages(walk: Walk, routes: Iterable[str]) -> None:
    """Routes that are about one roof, of each roof, as everybody who may look at it."""
    people: dict[int, list[User]] = defaultdict(list)
    for member in Membership.objects.select_related("user").order_by("pk"):
        people[member.business_id].append(member.user)
    for pk, site in walk.sites.items():
        keys, firm = keys_of(site, walk.now), site.customer.business
        owner = [site.customer.user] if site.customer.user else []
        for person in [*people[firm.pk], *owner, None]:
            client = Client(headers={"Accept-Language": "es"})
            if person is not None:
                client.force_login(person)
            for name in routes:
                places = ROUTES[name].kwargs
                if (person is None) != ("token" in places) or not set(places.values()) <= keys.keys():
                    continue  # a link is for who has no login
                address = reverse(name, kwargs={key: keys[what] for key, what in places.items()})
                answer = client.get(address, {"site": pk} if name == BOOKING else {})
                if answer.status_code == 200:
                    wanted = ["headline", "advice", "money"] if name in TELLS_ALL else []
                    if person is not None and not firm.shows_prices_to(person):
                        wanted = wanted[:2]
                    walk.look(f"{name} {person}", words_in(answer), pk, language_of(answer), wanted=wanted)


def language_of(answer: HttpResponseBase) -> str:
    return answer.headers.get("Content-Language", "en")


def walk_lists(walk: Walk, routes: Iterable[str]) -> None:
    """Routes that are about several roofs, as everybody; the first page of who has one roof is about that."""
    for person in User.objects.order_by("pk"):
        client = Client()
        client.force_login(person)
        firm = Business.objects.filter(Q(memberships__user=person) | Q(customers__user=person)).first()
        keys = OF_NO_ROOF | {"ours": firm.slug if firm else ""}
        own = [pk for pk, site in walk.sites.items() if site.customer.user_id == person.pk]
        for name in routes:
            answer = client.get(reverse(name, kwargs={key: keys[what] for key, what in ROUTES[name].kwargs.items()}))
            if answer.status_code != 200:
                continue
            text, language = words_in(answer), language_of(answer)
            if own and name == "home":
                walk.look(f"home {person}", text, own[0], language, wanted=("headline", "advice", "money"))
                continue
            for site, part in walk.parts(text).items():
                walk.look(f"{name} {person}", part, site, language, wanted=ROWS.get(name, ()))


def walk_mails(walk: Walk) -> None:
    """Every mail that may go now, written as it would be sent."""
    for reminder in Reminder.objects.select_related("business", "customer", "user", "site"):
        if why_not(reminder, walk.now):
            continue
        mail = compose(reminder, kind_of(reminder).letter, now=walk.now)
        text, language = one_line(f"{mail.subject} {mail.body}"), recipient(reminder).language
        if reminder.site_id:
            walk.look(f"mail:{reminder.kind}", text, reminder.site_id, language)
        else:
            for site, part in walk.parts(text).items():
                walk.look(f"mail:{reminder.kind}", part, site, language)


def walk_api(walk: Walk) -> None:
    """The API's answer, sentences and figures; of a roof that was never assessed it says so."""
    for pk, site in walk.sites.items():
        office = Membership.objects.filter(business=site.customer.business).earliest("pk")
        _, secret = make_token(name="walk", created_by=office.user, now=walk.now, site=site)
        for language in ("en", "es"):
            headers = {"Authorization": f"Bearer {secret}", "Accept-Language": language}
            answer = Client().get(f"/api/sites/{pk}/assessment", headers=headers)
            if not site.assessments.exists():
                assert answer.status_code == 404
                walk.seen[pk].add("api")
                continue
            said, told = json.loads(answer.content), walk.told[pk]
            text = one_line(" ".join(map(str, said.values())))
            walk.look("api", text, pk, language, wanted=("headline", "advice", "money"))
            assert (said["state"], said["advice"]) == (told.state, told.act)
            assert said["loss"] == (asdict(told.loss) if told.loss else None)


def check(walk: Walk) -> None:
    walk_mails(walk)
    walk_api(walk)
    assert not walk.wrong, "\n".join(sorted(set(walk.wrong)))
    for pk, site in walk.sites.items():
        assert {"site", "customer", BOOKING, "api"} <= walk.seen[pk], (site.customer.name, walk.seen[pk])


@pytest.mark.long(26)
@pytest.mark.any_database("what is said; tests/views/test_one_answer.py opens the same pages")
@pytest.mark.django_db
def test_roofs_of_each_kind_are_told_alike_on_a_day_in_june(clock: Any) -> None:
    walk = demo_at("2026-06-15", SOME, clock)
    shows_the_main_job(walk.told, now=walk.now)
    assert len({one.state for one in walk.told.values()}) >= 4
    walk_pages(walk, TELLING)
    walk_lists(walk, TELLING_OF_SEVERAL)
    check(walk)


@pytest.mark.benchmark
@pytest.mark.django_db
@pytest.mark.parametrize("day", ["2026-12-30", "2026-02-10", "2026-04-15", "2026-06-15", "2026-09-20"])
def test_every_roof_is_told_alike_on_all_pages_at_five_dates_of_the_year(day: str, clock: Any) -> None:
    walk = demo_at(day, FIRMS, clock)
    shown = {name: route for name, route in ROUTES.items() if route.ok == 200 and not route.post}
    walk_pages(walk, [name for name in shown if of_one_roof(name)])
    walk_lists(walk, [name for name in shown if not of_one_roof(name)])
    check(walk)
    told = {name for seen in walk.seen.values() for name in seen if name in ROUTES}
    assert told <= {*TELLING, *TELLING_OF_SEVERAL}, "the ordinary run leaves these out"
