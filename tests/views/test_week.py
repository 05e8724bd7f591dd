"""What the week by crews says of a stop."""

from __future__ import annotations

from datetime import timedelta
from uuid import uuid4

import pytest
from django.urls import reverse
from django.utils import timezone

from portal.actions.record import record_entry
from portal.models import EntryKind, Look, Visit
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
