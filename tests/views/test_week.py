"""What the week by crews says of a stop."""

from __future__ import annotations

from datetime import timedelta
from uuid import uuid4

import pytest
from django.urls import reverse
from django.utils import timezone

from portal.actions.record import record_entry
from portal.models import EntryKind, Look, Role, Visit
from tests import factories
from tests.views.cast import Cast

pytestmark = pytest.mark.django_db


def test_a_stop_at_a_roof_with_an_urgent_finding_says_so(people: Cast) -> None:
    technician, now = people.people["technician"], timezone.now()
    assert technician is not None
    Visit.objects.all().delete()
    earlier = factories.visit(site=people.visit.site, starts_at=now - timedelta(days=30), technicians=(technician,))
    record_entry(
        visit=earlier,
        client_id=uuid4(),
        kind=EntryKind.INSPECTION,
        item=Look.CABLES,
        answer="urgent",
        note="Chewed",
        at=now - timedelta(days=30),
        by=technician,
        now=now,
    )
    visit = factories.visit(site=people.visit.site, starts_at=now + timedelta(days=2), technicians=(technician,))
    address = f"{reverse('week')}?day={visit.starts_at.date()}"
    stop = people.client("office").get(address).content.decode().split(f'data-visit="{visit.pk}"')[1].split("</li>")[0]
    assert '<span class="badge failed">Urgent</span>' in stop
    earlier.referrals.update(closed_at=now, outcome="mended")
    assert '<span class="badge failed">Urgent</span>' not in people.client("office").get(address).content.decode()


def test_the_office_says_where_a_van_sets_out(people: Cast) -> None:
    technician, office = people.people["technician"], people.client("office")
    assert technician is not None
    member = technician.memberships.get()
    keep = reverse("start_keep")
    for pasted in ("somewhere over there", "95, 10"):
        answer = office.post(keep, {"user": technician.pk, "where": pasted})
        assert answer.status_code == 422
        assert "There is no place in it." in answer.content.decode()
    office.post(keep, {"user": technician.pk, "where": "geo:34.41,-119.62"})
    member.refresh_from_db()
    assert (member.latitude, member.longitude) == (34.41, -119.62)
    page = office.get(reverse("week")).content.decode()
    assert "own start" in page
    assert "34.41, -119.62" in page.split('id="starts"')[1]
    office.post(keep, {"user": technician.pk, "where": ""})
    member.refresh_from_db()
    assert (member.latitude, member.longitude) == (None, None)
    assert "own start" not in office.get(reverse("week")).content.decode()
    stranger = factories.member(factories.business(slug="elsewhere"), Role.TECHNICIAN)
    assert office.post(keep, {"user": stranger.pk, "where": "34.41, -119.62"}).status_code == 422
