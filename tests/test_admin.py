"""Whoever runs the portal opens a business in the admin; one log-in serves for it."""

import re
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
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


def test_its_pages_find_their_style_and_scripts_among_what_a_set_up_collects(
    client: Client, settings: Any, tmp_path: Path
) -> None:
    settings.STORAGES = settings.STORAGES | {"staticfiles": {"BACKEND": "portal.apps.StaticFiles"}}
    settings.STATIC_ROOT = tmp_path
    settings.WHITENOISE_SKIP_COMPRESS_EXTENSIONS = ["js", "css", "svg"]  # takes seconds, and is looked at elsewhere
    call_command("prepare_assets")
    client.force_login(User.objects.create_superuser("root@portal.example", "rinse-soak-scrub-9"))
    for page in ("index", "portal_business_add", "portal_user_changelist", "portal_user_add"):
        named = re.findall(r'(?:href|src)="/static/([^"]+)"', client.get(reverse(f"admin:{page}")).content.decode())
        assert any(name.startswith("admin/css/") for name in named), page
        assert [name for name in named if not (tmp_path / name).exists()] == []


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
