"""Whoever runs the portal opens a business in the admin; one log-in serves for it."""

import pytest
from django.test import Client
from django.urls import reverse

from portal.models import Business, Membership, User
from tests import factories

pytestmark = pytest.mark.django_db


def test_the_admin_sends_to_the_portals_own_log_in() -> None:
    answer = Client().get(reverse("admin:login"))
    assert answer.status_code == 302
    assert answer["Location"].startswith(reverse("account_login"))


def test_a_superuser_opens_a_business_with_its_owner(client: Client) -> None:
    client.force_login(User.objects.create_superuser("root@portal.example", "rinse-soak-scrub-9"))
    owner = factories.user()
    fields = {field.name: field.default for field in Business._meta.fields if field.has_default()}
    filled = fields | {
        "name": "New Washers",
        "slug": "new-washers",
        "email": "office@new.example",
        "postal_address": "2 Invented Street",
        "tz": "America/Denver",
        "memberships-TOTAL_FORMS": 1,
        "memberships-INITIAL_FORMS": 0,
        "memberships-0-user": owner.pk,
        "memberships-0-role": "owner",
    }
    filled = {name: value for name, value in filled.items() if value is not None and value is not False}
    answer = client.post(reverse("admin:portal_business_add"), filled)
    assert answer.status_code == 302, answer.context["errors"]
    assert Membership.objects.get().business.name == "New Washers"


@pytest.mark.django_db
def test_a_password_given_to_the_admins_own_form_opens_nothing(client: Client) -> None:
    """Its form knows no second step and counts no wrong passwords: neither strangers nor staff get through it."""
    chief = factories.user(is_staff=True, is_superuser=True)
    given = {"username": chief.email, "password": factories.PASSWORD, "next": "/admin/"}
    assert client.post("/admin/login/", given)["Location"].startswith("/accounts/login/")
    assert client.get("/admin/")["Location"].startswith("/admin/login/")
    helper = factories.user(is_staff=True)
    client.force_login(helper)
    client.post("/admin/login/", given)
    assert client.session["_auth_user_id"] == str(helper.pk)
