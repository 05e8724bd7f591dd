"""A business's own words."""

from __future__ import annotations

import pytest
from django.core import mail

from portal.actions.reminders.send import send_due
from portal.models import Language, ReminderKind, Wording
from tests import factories
from tests.actions.reminders.planned import due
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def test_a_business_words_its_mails_itself() -> None:
    assessment = factories.assessment(clean_due=NOW.date())
    Wording.objects.create(
        business=assessment.site.customer.business,
        kind=ReminderKind.DUE,
        language=Language.ENGLISH,
        subject="Time to rinse, {name}",
        text="{loss} gone. {__class__} {name.__class__} stays as it is.",
    )
    due(assessment)
    send_due(now=NOW)
    assert mail.outbox[0].subject == f"Time to rinse, {assessment.site.customer.name}"
    assert "8\u00a0% (6 to 10\u00a0%) gone. {__class__} {name.__class__} stays" in str(mail.outbox[0].body)
