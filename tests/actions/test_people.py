"""Who may log in follows the address the business writes to."""

import pytest

from portal.actions.people import give_access, save_customer
from tests import factories

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
