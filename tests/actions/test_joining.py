"""Nobody is drawn into a firm by the address of a login that other firms know: they say yes first."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.core import mail
from django.test import Client
from django.utils import timezone

from portal.actions.joining import OPENS, JobOffer, asked_to_join, join, join_token, take_on
from portal.actions.people import add_member, remove_member
from portal.models import AuditEntry, Business, Deed, Membership, Role, User
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


@pytest.fixture
def ours() -> Business:
    return factories.business(name="Bright Panels")


@pytest.fixture
def boss(ours: Business) -> User:
    return factories.member(ours, Role.OWNER)


@pytest.fixture
def theirs() -> User:
    """The owner of another firm."""
    return factories.member(factories.business(), Role.OWNER, email="una@others.example")


def test_a_login_of_another_firm_joins_by_its_own_yes(ours: Business, boss: User, theirs: User) -> None:
    office, them = Client(), Client()
    office.force_login(boss)
    them.force_login(theirs)
    given = {"name": "Una", "email": "Una@Others.example", "role": "technician"}
    said = office.post(f"/business/{ours.slug}/members/", given, follow=True).content.decode()
    assert "they join once they say yes" in said
    assert not ours.memberships.filter(user=theirs).exists()
    (sent,) = mail.outbox
    assert sent.to == ["una@others.example"]
    (link,) = re.findall(r"http://localhost:8000(/join/\S+)", str(sent.body))
    assert "Bright Panels" in them.get(link).content.decode()
    assert not ours.memberships.filter(user=theirs).exists(), "looking is no yes"
    assert office.get(link).status_code == 404, "it is not for whoever reads it"
    them.post(link)
    assert ours.memberships.get(user=theirs).role == Role.TECHNICIAN
    assert AuditEntry.objects.get(deed=Deed.ROLE).by == boss


def test_a_customer_of_another_firm_is_asked_too_and_a_new_login_is_not(ours: Business, boss: User) -> None:
    homeowner = factories.user(email="ida@homes.example")
    factories.customer(user=homeowner)
    given: dict[str, Any] = {"business": ours, "name": "Ida", "role": Role.OFFICE, "by": boss, "now": NOW}
    assert take_on(email="ida@homes.example", **given) is None
    new = take_on(email="new@people.example", **given)
    assert new is not None
    assert new.role == Role.OFFICE


def test_who_works_here_gets_another_role_at_once_wherever_else_they_work(
    ours: Business, boss: User, theirs: User
) -> None:
    Membership.objects.create(business=ours, user=theirs, role=Role.TECHNICIAN)
    changed = take_on(business=ours, email=theirs.email, name="", role=Role.OFFICE, by=boss, now=NOW)
    assert changed is not None
    assert changed.role == Role.OFFICE
    assert mail.outbox == []


def test_a_link_ends_with_its_week_with_its_asker_and_with_a_parting(ours: Business, boss: User, theirs: User) -> None:
    token = join_token(JobOffer(ours, theirs, Role.OFFICE, boss), now=NOW)
    asked = asked_to_join(token, user=theirs, now=NOW)
    assert asked is not None
    assert asked_to_join(token[:-1] + "x", user=theirs, now=NOW) is None
    assert asked_to_join(token, user=theirs, now=NOW + OPENS + timedelta(seconds=1)) is None
    joined = join(asked, now=NOW)
    remove_member(membership=joined, by=boss, now=NOW + timedelta(days=1))
    assert asked_to_join(token, user=theirs, now=NOW + timedelta(days=2)) is None
    again = join_token(JobOffer(ours, theirs, Role.OFFICE, boss), now=NOW + timedelta(days=2))
    assert asked_to_join(again, user=theirs, now=NOW + timedelta(days=2)) is not None
    add_member(business=ours, email=boss.email, name="", role=Role.OWNER, by=None, now=NOW)
    factories.member(ours, Role.OWNER)
    add_member(business=ours, email=boss.email, name="", role=Role.OFFICE, by=None, now=NOW)
    assert asked_to_join(again, user=theirs, now=NOW + timedelta(days=2)) is None, "who asked may no longer ask"


def test_an_old_link_gives_no_role_back(ours: Business, boss: User, theirs: User) -> None:
    asked = JobOffer(ours, theirs, Role.OWNER, boss)
    Membership.objects.create(business=ours, user=theirs, role=Role.TECHNICIAN)
    assert join(asked, now=NOW).role == Role.TECHNICIAN


def test_nobody_is_asked_without_end(ours: Business, boss: User, theirs: User) -> None:
    client = Client()
    client.force_login(boss)
    given = {"name": "Una", "email": theirs.email, "role": "technician"}
    for _ in range(7):
        client.post(f"/business/{ours.slug}/members/", given)
    assert len(mail.outbox) == 5
    assert AuditEntry.objects.filter(deed=Deed.INVITED, at__lte=timezone.now()).count() == 5
