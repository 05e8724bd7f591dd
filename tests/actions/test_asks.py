"""What homeowners ask of the firm: an event of their roof's lead, once, bounded, and at once on the office's list."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from django.core import mail
from django.core.exceptions import ValidationError

from portal.actions.advice import recommendation
from portal.actions.asks import (
    ENQUIRIES_A_DAY,
    MOST_ASKS_A_DAY,
    answer,
    ask,
    close_enquiry,
    enquire,
    erase_enquiry,
    wishes,
)
from portal.actions.lead_figures import raised_by_month
from portal.actions.leads import lose_lead, move_lead, review_leads, unwrong_lead, wrong_lead
from portal.actions.pricing import price_of_visit
from portal.actions.reminders.plan import plan_reminders, plan_standing
from portal.actions.reminders.send import send_due
from portal.actions.visits import book_visit
from portal.models import (
    Enquiry,
    EventKind,
    Lead,
    LeadEvent,
    LeadKind,
    LeadStage,
    Reminder,
    Role,
    Site,
    User,
)
from portal.pv.recommend import Reader, Step
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


@pytest.fixture
def site() -> Site:
    return factories.site(customer=factories.customer(user=factories.user()))


@pytest.fixture
def owner(site: Site) -> User:
    user = site.customer.user
    assert user is not None
    return user


@pytest.fixture
def office(site: Site) -> User:
    return factories.member(site.customer.business, Role.OFFICE)


def test_asking_opens_a_lead_where_there_is_none_and_pressed_twice_is_once(site: Site, owner: User) -> None:
    first, second = (ask(site=site, kind=EventKind.WASH, by=owner, now=NOW) for _ in range(2))
    assert first == second
    lead = Lead.objects.get()
    assert (lead.site, lead.kind, lead.stage, lead.by_customer) == (site, LeadKind.CLEANING, LeadStage.NEW, True)
    ask(site=site, kind=EventKind.CALL, by=owner, now=NOW)
    assert {event.kind for event in lead.events.all()} == {"wash", "call"}
    assert wishes(site, now=NOW).asked == {"wash", "call"}


def test_asking_of_a_roof_that_is_on_the_list_already_joins_its_lead(site: Site, owner: User) -> None:
    lead = factories.lead(site=site, snoozed_until=NOW.date() + timedelta(days=30))
    event = ask(site=site, kind=EventKind.CALL, by=owner, now=NOW)
    assert event.lead == lead
    lead.refresh_from_db()
    assert (lead.by_customer, lead.snoozed_until) == (False, None), "who asks is not to be left waiting"


def test_who_has_asked_is_told_that_the_firm_knows_and_no_longer_to_ask(site: Site, owner: User) -> None:
    factories.assessment(site=site, as_of=NOW.date(), clean_due=NOW.date(), readings_until=NOW.date())

    def steps() -> tuple[Step, Step]:
        told = recommendation(site, now=NOW)
        return told.step(Reader.HOMEOWNER), told.step(Reader.OFFICE)

    assert steps() == (Step.ASK_FOR_WASH, Step.CALL_CUSTOMER)
    lead = ask(site=site, kind=EventKind.CALL, by=owner, now=NOW).lead
    assert steps() == (Step.WAIT_FOR_FIRM, Step.ANSWER)
    answer(lead=lead, now=NOW)
    assert steps() == (Step.ASK_FOR_WASH, Step.CALL_CUSTOMER)
    ask(site=site, kind=EventKind.NOT_NOW, by=owner, now=NOW, months=3)
    assert steps() == (Step.NOTHING, Step.NOTHING)


def test_who_asks_about_a_fault_is_not_taken_for_a_wash(site: Site, owner: User) -> None:
    factories.assessment(site=site, verdict="other fault", cause="string_loss")
    assert ask(site=site, kind=EventKind.CALL, by=owner, now=NOW).lead.kind == LeadKind.REFERRAL


def test_a_roof_that_is_booked_already_stays_booked(site: Site, owner: User) -> None:
    visit = factories.visit(site=site)
    lead = ask(site=site, kind=EventKind.CALL, by=owner, now=NOW).lead
    visit.refresh_from_db()
    assert (lead.stage, visit.lead) == (LeadStage.BOOKED, lead)


def test_the_readings_do_not_close_what_the_owner_asked(site: Site, owner: User) -> None:
    lead = ask(site=site, kind=EventKind.WASH, by=owner, now=NOW).lead
    clean = factories.assessment(
        site=site, verdict="clean", present_loss=0.0, loss_low=-0.01, loss_high=0.01, as_of=NOW.date()
    )
    review_leads(assessments=[clean], now=NOW + timedelta(days=1))
    lead.refresh_from_db()
    assert lead.closed_at is None


def test_a_quote_is_accepted_as_it_was_seen_and_what_was_agreed_is_kept(site: Site, owner: User, office: User) -> None:
    price = price_of_visit(site)
    with pytest.raises(ValidationError, match="no open quote"):
        ask(site=site, kind=EventKind.ACCEPT, by=owner, now=NOW, price=price)
    lead = factories.lead(site=site)
    move_lead(lead=lead, stage=LeadStage.QUOTED, by=office, now=NOW)
    assert wishes(site, now=NOW).quoted == price
    with pytest.raises(ValidationError, match="price has changed"):
        ask(site=site, kind=EventKind.ACCEPT, by=owner, now=NOW, price=price - 1)
    assert not LeadEvent.objects.exists()
    event = ask(site=site, kind=EventKind.ACCEPT, by=owner, now=NOW, price=price)
    assert ask(site=site, kind=EventKind.ACCEPT, by=owner, now=NOW, price=price) == event
    business = site.customer.business
    business.price_minimum = Decimal(400)  # the list of another year
    business.save()
    event.refresh_from_db()
    assert (event.at, event.by, event.agreed["price"], event.agreed["currency"]) == (NOW, owner, str(price), "USD")
    assert sum(Decimal(amount) for _, amount in event.agreed["lines"]) == price
    told = wishes(Site.objects.get(pk=site.pk), now=NOW)
    assert (told.quoted, told.accepted) == (None, event)


def test_not_now_keeps_the_roof_off_the_board_until_its_day(site: Site, owner: User) -> None:
    with pytest.raises(ValidationError, match="Choose when"):
        ask(site=site, kind=EventKind.NOT_NOW, by=owner, now=NOW, months=5)
    event = ask(site=site, kind=EventKind.NOT_NOW, by=owner, now=NOW, months=3)
    day = date(2026, 9, 15)  # NOW is 15 June 2026
    assert (event.ask_again_on, event.lead.snoozed_until, event.lead.next_action_on) == (day, day, day)
    assert not Lead.objects.awake(day - timedelta(days=1)).exists()
    assert Lead.objects.awake(day).exists()
    assert wishes(site, now=NOW).rests_until == day
    later = ask(site=site, kind=EventKind.NOT_NOW, by=owner, now=NOW, months=12)
    assert (later.pk, later.ask_again_on) == (event.pk, date(2027, 6, 15))
    assert Lead.objects.get().snoozed_until == date(2027, 6, 15)
    ask(site=site, kind=EventKind.WASH, by=owner, now=NOW)
    assert Lead.objects.get().snoozed_until is None


def test_what_is_asked_in_a_day_is_bounded(site: Site, owner: User) -> None:
    for number in range(MOST_ASKS_A_DAY):
        answer(lead=ask(site=site, kind=EventKind.CALL, by=owner, now=NOW + timedelta(minutes=number)).lead, now=NOW)
    with pytest.raises(ValidationError, match="a lot for one day"):
        ask(site=site, kind=EventKind.CALL, by=owner, now=NOW + timedelta(hours=1))
    assert ask(site=site, kind=EventKind.CALL, by=owner, now=NOW + timedelta(days=2))


@pytest.mark.parametrize("how", ["moved", "booked", "lost", "seen to"])
def test_it_waits_until_the_office_has_done_something_about_it(how: str, site: Site, owner: User, office: User) -> None:
    event = ask(site=site, kind=EventKind.WASH, by=owner, now=NOW)
    assert LeadEvent.objects.waiting().get() == event
    if how == "moved":
        move_lead(lead=event.lead, stage=LeadStage.CONTACTED, by=office, now=NOW)
    elif how == "booked":
        book_visit(site=site, starts_at=NOW + timedelta(days=3), technicians=[], now=NOW)
    elif how == "lost":
        lose_lead(lead=event.lead, reason="Moves house", by=office, now=NOW)
    else:
        answer(lead=event.lead, now=NOW)
    assert not LeadEvent.objects.waiting().exists()


def test_the_office_is_written_to_at_once_and_once(site: Site, owner: User, office: User) -> None:
    ask(site=site, kind=EventKind.WASH, by=owner, now=NOW, text="The panels look grey")
    for _ in range(2):
        plan_standing(now=NOW)
        send_due(now=NOW)
    (sent,) = [one for one in mail.outbox if office.email in one.to[0]]
    assert "The panels look grey" in str(sent.body)
    assert Reminder.objects.filter(kind="asked").count() == 1


def test_a_wrong_lead_says_why_can_be_reopened_and_does_not_silence_the_roof(site: Site, office: User) -> None:
    lead = factories.lead(site=site)
    with pytest.raises(ValidationError, match="what was wrong"):
        wrong_lead(lead=lead, reason=" ", by=office, now=NOW)
    wrong_lead(lead=lead, reason="A new tree", by=office, now=NOW)
    lead.refresh_from_db()
    assert (lead.stage, lead.closed_because, lead.closed_at) == (LeadStage.WRONG, "A new tree", NOW)
    for _ in range(2):
        unwrong_lead(lead=lead, by=office, now=NOW)
    lead.refresh_from_db()
    assert (lead.stage, lead.closed_because, lead.closed_at) == (LeadStage.NEW, "", None)
    assert lead.notes.filter(text__startswith="Reopened").count() == 1
    wrong_lead(lead=lead, reason="A new tree", by=office, now=NOW)
    factories.lead(site=site)
    with pytest.raises(ValidationError, match="another open lead"):
        unwrong_lead(lead=lead, by=office, now=NOW)


@pytest.mark.parametrize(("stage", "days"), [(LeadStage.WRONG, 15), (LeadStage.LOST, 181)])
def test_a_wrong_lead_may_be_raised_again_long_before_one_that_was_turned_down(
    stage: LeadStage, days: int, site: Site
) -> None:
    factories.lead(site=site, stage=stage, closed_at=NOW)
    for day, opens in ((days - 2, False), (days, True)):
        moment = NOW + timedelta(days=day)
        dirty = factories.assessment(site=site, as_of=moment.date(), made_at=moment)
        review_leads(assessments=[dirty], now=moment)
        assert Lead.objects.filter(site=site).open().exists() is opens


def test_raised_right_wrong_and_unsure_are_counted_by_month(site: Site, owner: User) -> None:
    firm = site.customer.business

    def raised(day: datetime, stage: LeadStage, gain: tuple[float, float, float] | None = None, **more: object) -> None:
        roof = factories.site(customer=factories.customer(business=firm))
        closed = None if stage in (LeadStage.NEW, LeadStage.BOOKED) else day + timedelta(days=9)
        lead = factories.lead(site=roof, stage=stage, opened_at=day, closed_at=closed, **more)
        factories.assessment(site=roof, as_of=day.date(), present_loss=0.08, loss_low=0.06, loss_high=0.10)
        if gain:
            mid, low, high = gain
            proof = factories.washed(roof, day + timedelta(days=9), gain=mid, low=low, high=high)
            proof.visit.lead = lead
            proof.visit.save()

    may = datetime(2026, 5, 10, 18, tzinfo=UTC)
    raised(may, LeadStage.WON, (0.07, 0.05, 0.09))  # right
    raised(may, LeadStage.WON, (0.01, -0.01, 0.03))  # wrong: all of it under the 6 % that were told at least
    raised(may, LeadStage.WON, (0.04, -0.01, 0.09))  # too rough to tell
    raised(may, LeadStage.WON)  # not measured yet
    raised(may, LeadStage.LOST)
    raised(may, LeadStage.WRONG)
    raised(may, LeadStage.NEW, by_customer=True)  # not raised by the readings
    raised(datetime(2026, 6, 1, 5, tzinfo=UTC), LeadStage.NEW)  # 31 May, 23:00 in Denver
    raised(NOW, LeadStage.NEW)
    raised(datetime(2025, 6, 10, tzinfo=UTC), LeadStage.WRONG)  # longer ago than the page looks back
    months = raised_by_month(Lead.objects.all(), tz="America/Denver", now=NOW)
    assert len(months) == 12
    assert [(one.month, one.raised, one.right, one.wrong, one.unsure) for one in months[:3]] == [
        (date(2026, 6, 1), 1, 0, 0, 1),
        (date(2026, 5, 1), 7, 1, 2, 4),
        (date(2026, 4, 1), 0, 0, 0, 0),
    ]


def test_an_enquiry_is_kept_once_bounded_and_erased(site: Site) -> None:
    firm = site.customer.business
    said = {"business": firm, "name": "Nell Next", "now": NOW}
    first, second = (enquire(reach=reach, **said) for reach in ("555-0177", " 555-0177 "))  # type: ignore[arg-type]
    assert first is not None
    assert first == second
    for number in range(ENQUIRIES_A_DAY + 5):
        enquire(reach=f"n{number}@next.example", **said)  # type: ignore[arg-type]
    assert Enquiry.objects.count() == ENQUIRIES_A_DAY
    close_enquiry(enquiry=first, now=NOW)
    assert first not in Enquiry.objects.open()
    erase_enquiry(enquiry=first)
    assert Enquiry.objects.count() == ENQUIRIES_A_DAY - 1


def test_who_wants_to_be_asked_later_gets_no_mail_about_a_wash_until_then(site: Site, owner: User) -> None:
    factories.assessment(site=site, clean_due=NOW.date())
    plan_reminders(sites=[site], now=NOW)
    ask(site=site, kind=EventKind.NOT_NOW, by=owner, now=NOW, months=3)
    send_due(now=NOW)
    assert [(one.kind, one.state, one.reason) for one in Reminder.objects.all()] == [
        ("due", "dropped", "They want to be asked later.")
    ]
    Reminder.objects.all().delete()
    for days, told in ((80, 0), (93, 1)):
        moment = NOW + timedelta(days=days)
        factories.assessment(site=site, as_of=moment.date(), made_at=moment, clean_due=moment.date())
        plan_reminders(sites=[site], now=moment)
        assert Reminder.objects.filter(kind__in=["due", "due_soon"]).count() == told


@pytest.mark.parametrize(
    ("month", "day", "months", "until"),
    [(11, 30, 3, date(2027, 2, 28)), (12, 15, 12, date(2027, 12, 15)), (8, 31, 1, date(2026, 9, 30))],
)
def test_not_now_ends_on_a_day_that_there_is(
    month: int, day: int, months: int, until: date, site: Site, owner: User
) -> None:
    noon = datetime(2026, month, day, 19, tzinfo=UTC)
    assert ask(site=site, kind=EventKind.NOT_NOW, by=owner, now=noon, months=months).ask_again_on == until
