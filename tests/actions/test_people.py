"""Who may log in follows the address the business writes to."""

from datetime import timedelta

import pytest

from portal.actions.people import give_access, remove_member, save_customer
from portal.models import Role, VisitState
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def test_another_address_takes_the_login_of_the_address_before_away() -> None:
    customer = factories.customer(email="before@homes.example")
    give_access(customer=customer)
    customer.phone = "555-0199"
    save_customer(customer=customer)
    assert customer.user is not None
    customer.email = "after@homes.example"
    save_customer(customer=customer)
    customer.refresh_from_db()
    assert customer.user is None


def test_who_leaves_is_sent_nowhere_any_more_and_their_leads_are_nobodys() -> None:
    firm = factories.business()
    site = factories.site(customer=factories.customer(business=firm))
    leaves, stays = factories.member(firm, Role.TECHNICIAN), factories.member(firm, Role.TECHNICIAN)
    lead = factories.lead(site=site, assigned_to=leaves)
    done = factories.visit(
        site=site, technicians=(leaves,), starts_at=NOW - timedelta(days=1), state=VisitState.DONE, finished_at=NOW
    )
    coming = factories.visit(site=site, technicians=(leaves, stays))
    elsewhere = factories.visit(technicians=(leaves,))
    assert remove_member(membership=firm.memberships.get(user=leaves), by=None, now=NOW) == 1
    assert list(coming.technicians.all()) == [stays]
    assert list(done.technicians.all()) == list(elsewhere.technicians.all()) == [leaves]
    lead.refresh_from_db()
    assert lead.assigned_to is None
