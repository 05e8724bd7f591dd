"""Rows for tests. Each function makes one thing, with everything it needs, and takes overrides by field name."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

import numpy as np

from portal.actions.invoices.draft import draft_invoice, write_again
from portal.actions.invoices.issue import invoice_token, issue_invoice
from portal.actions.invoices.payments import record_payment
from portal.models import (
    Business,
    Customer,
    DayReadings,
    Lead,
    Membership,
    Meter,
    Method,
    Plane,
    Proof,
    ProofState,
    Role,
    Site,
    SiteAssessment,
    User,
    Visit,
    VisitState,
    pack,
)
from portal.pv.advice import STATES, Act, Advised, Range, State, WashToday
from portal.pv.result import Verdict

NOW = datetime(2026, 6, 15, 18, 0, tzinfo=UTC)
PASSWORD = "rinse-soak-scrub-9"
_count = itertools.count(1)


def user(**fields: Any) -> User:
    number = next(_count)
    fields.setdefault("email", f"person{number}@people.example")
    fields.setdefault("name", f"Person {number}")
    return User.objects.create_user(password=fields.pop("password", PASSWORD), **fields)


def business(**fields: Any) -> Business:
    number = next(_count)
    defaults = {
        "name": f"Washers {number}",
        "slug": f"washers-{number}",
        "email": f"office{number}@washers.example",
        "phone": "555-0100",
        "postal_address": "1 Invented Street, Nowhere",
        "tz": "America/Denver",
        # open always: on which day of the week a test runs is no matter
        "work_days": "0123456",
        "works_from": time(0),
        "works_until": time(23, 59),
    }
    return Business.objects.create(**defaults | fields)


def member(business: Business, role: Role = Role.OWNER, **fields: Any) -> User:
    person = user(**fields)
    Membership.objects.create(business=business, user=person, role=role)
    return person


def customer(**fields: Any) -> Customer:
    number = next(_count)
    if "business" not in fields:
        fields["business"] = business()
    defaults = {
        "name": f"Customer {number}",
        "email": f"customer{number}@homes.example",
        "phone": "555-0123",
        "consented_on": date(2025, 1, 1),
    }
    return Customer.objects.create(**defaults | fields)


def site(*, planes: bool = True, **fields: Any) -> Site:
    if "customer" not in fields:
        fields["customer"] = customer()
    defaults = {
        "name": "Home",
        "address": "12 Invented Road",
        "latitude": 39.74,
        "longitude": -105.17,
        "tz": "America/Denver",
        "ac_kw": 5.0,
        "installed_on": date(2020, 5, 1),
    }
    roof = Site.objects.create(**defaults | fields)
    if planes:
        Plane.objects.create(site=roof, name="Back", tilt=30, azimuth=180, dc_kw=6.0, module_count=15)
    return roof


def meter(**fields: Any) -> Meter:
    if "site" not in fields:
        fields["site"] = site()
    return Meter.objects.create(**fields)


def day_readings(meter: Meter, day: date, energy_wh: Any = None, interval_minutes: int = 60) -> DayReadings:
    block = np.asarray(np.zeros(24) if energy_wh is None else energy_wh, dtype=np.float32)
    return DayReadings.objects.create(meter=meter, day=day, interval_minutes=interval_minutes, packed=pack(block))


def assessment(**fields: Any) -> SiteAssessment:
    if "site" not in fields:
        fields["site"] = site()
    loss = fields.get("present_loss", 0.08)
    defaults = {
        "as_of": NOW.date(),
        "made_at": NOW,
        "verdict": "soiling",
        "present_loss": loss,
        "loss_low": 0.06,
        "loss_high": 0.10,
        "loss_quantiles": [] if loss is None else [loss - 0.02 + 0.04 * step / 9 for step in range(10)],
        "soiling_rate_per_day": 0.001,
        "soiling_since": NOW.date() - timedelta(days=80),
        "reasons": ["Output on clear days fell steadily since 27 March."],
        "energy_kwh_per_year": 9000.0,
        "value_lost_per_month": "15.00",
        "clean_due": NOW.date() + timedelta(days=10),
        "due_basis": "readings",
    }
    row = SiteAssessment(**defaults | fields)
    if not row.advice:
        row.advice = advised(row).keep()
    row.save()
    return row


def change(row: SiteAssessment, **fields: Any) -> None:
    """An assessment that says something else by now, and advises accordingly."""
    for name, value in fields.items():
        setattr(row, name, value)
    row.advice = advised(row).keep()
    row.save()


def advised(row: SiteAssessment, **fields: Any) -> Advised:
    """The advice of a row whose wash is due on its ``clean_due``, by the readings or by the calendar."""
    state, due = STATES[Verdict(row.verdict)], row.clean_due
    by_readings = row.due_basis == "readings"
    act = Act.LOOK if state == State.NOT_DIRT else Act.SEND_READINGS if state == State.CANNOT_TELL else Act.WAIT
    if by_readings and act == Act.WAIT:
        act = Act.WOULD_NOT_PAY if due is None else Act.WASH if due <= row.as_of else Act.WAIT
    days = None if due is None else float((due - row.as_of).days)
    wash = WashToday(Range(90.0, 240.0, 420.0), 0.8, 120.0, 0.25, 190.0, 0.15)
    made = Advised(
        as_of=row.as_of,
        state=State.DIRTY if act == Act.WASH else state,
        act=act,
        on=due if by_readings and act == Act.WAIT else None,
        wash_too=False,
        wash=wash if by_readings else None,
        rain=None,
        why=(),
        calendar_on=None if by_readings else due,
        last_clear=row.as_of,
        clear_share=0.5,
        days_to_wash=(days,) * 10 if by_readings else (),
    )
    return replace(made, **fields)


def lead(**fields: Any) -> Lead:
    if "site" not in fields:
        fields["site"] = site()
    defaults = {
        "opened_at": NOW,
    }
    return Lead.objects.create(**defaults | fields)


def visit(*, technicians: tuple[User, ...] = (), **fields: Any) -> Visit:
    if "site" not in fields:
        fields["site"] = site()
    booked = Visit.objects.create(**{"starts_at": NOW + timedelta(days=1), "price": "150.00"} | fields)
    booked.technicians.set(technicians)
    return booked


def washed(site: Site, finished_at: datetime, *, gain: float, low: float, high: float) -> Proof:
    """A finished visit and what its report says it gained."""
    done = visit(site=site, state=VisitState.DONE, starts_at=finished_at, finished_at=finished_at)
    return Proof.objects.create(
        visit=done, state=ProofState.FIRST, gain=gain, gain_low=low, gain_high=high, updated_at=finished_at
    )


def invoiced(done: Visit, *, by: User) -> dict[str, Any]:
    """Keys of an issued invoice of a finished visit, its link and a payment of it, and of a draft of the same visit."""
    assert done.finished_at is not None
    now = done.finished_at
    drafted = draft_invoice(visit=done, now=now)
    assert drafted is not None
    issued = issue_invoice(invoice=drafted, by=by, now=now)
    payment = record_payment(
        invoice=issued,
        client_id=uuid4(),
        amount=Decimal(1),
        method=Method.CASH,
        received_on=now.astimezone(ZoneInfo(issued.business.tz)).date(),
        taken_by=by,
        by=by,
        now=now,
    )
    draft = write_again(invoice=issued, now=now)
    return {"invoice": issued.pk, "bill": invoice_token(issued), "payment": payment.pk, "draft": draft.pk}
