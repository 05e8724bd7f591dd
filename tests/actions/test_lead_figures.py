"""What became of leads: counted by the business's own weeks, and beside what was promised."""

from __future__ import annotations

from datetime import date, datetime

import pytest

from portal.actions.lead_figures import promises, weekly_figures
from portal.models import Lead, LeadStage, Proof, VisitState
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def test_weekly_figures_count_by_the_businesss_own_weeks() -> None:
    # Denver is 6 h behind UTC in June: Monday 15 June 05:00 UTC is still Sunday there.
    lead = factories.lead(opened_at=datetime.fromisoformat("2026-06-15T05:00Z"))
    weeks = weekly_figures(Lead.objects.all(), tz="America/Denver", now=NOW, weeks=2)
    assert [(week.monday, week.opened) for week in weeks] == [(date(2026, 6, 15), 0), (date(2026, 6, 8), 1)]
    lead.stage, lead.closed_at = LeadStage.WON, NOW
    lead.save()
    assert weekly_figures(Lead.objects.all(), tz="America/Denver", now=NOW, weeks=1)[0].cleaned == 1


def test_promised_and_measured_gains_stand_side_by_side() -> None:
    lead = factories.lead(stage=LeadStage.WON, closed_at=NOW)
    factories.assessment(site=lead.site, present_loss=0.08)  # what was told on the day of the wash
    visit = factories.visit(site=lead.site, lead=lead, state=VisitState.DONE, finished_at=NOW)
    Proof.objects.create(visit=visit, gain=0.05, gain_low=0.03, gain_high=0.07, updated_at=NOW)
    (promise,) = promises(Lead.objects.all())
    assert (promise.promised, promise.measured, promise.kept) == (0.08, 0.05, True)
