"""What an earlier secret key signed stays good while that key is named, and no longer."""

from __future__ import annotations

from typing import Any, cast

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.actions.by_mail.address import address_of, site_at
from portal.actions.invitations import password_link
from portal.actions.mail.recipient import token_for
from portal.actions.proof import link_token, share_report
from portal.models import Role, User
from tests import factories
from tests.views.cast import Cast

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("named", [True, False])
def test_log_ins_and_links_made_with_the_key_before(people: Cast, settings: Any, named: bool) -> None:
    settings.READINGS_ADDRESS = "readings@washers.test"
    settings.SECRET_KEY = "before" * 10
    site = people.visit.site
    here = Client()
    here.force_login(cast(User, people.people["owner"]))
    report = reverse("shared_report", args=[link_token(share_report(visit=people.visit, now=timezone.now()))])
    way_out = reverse("mail_choices", args=[token_for({"customer": site.customer_id})])
    invited = password_link(factories.member(site.customer.business, Role.OFFICE)).removeprefix(settings.BASE_URL)
    address = address_of(site)

    settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = "after" * 12, ["before" * 10] if named else []
    assert (here.get(reverse("home")).status_code == 200) is named
    assert (Client().get(report).status_code == 200) is named
    assert (Client().get(way_out).status_code == 200) is named
    assert (b'name="password1"' in Client().get(invited, follow=True).content) is named
    assert (site_at([address]) == site) is named
    assert site_at([address_of(site)]) == site, "and what it says now is signed with the new one"
