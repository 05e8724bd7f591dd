"""The site's time zone was wrong: its days are cut anew."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from portal.actions.imports.receive import STALLED_AFTER
from portal.actions.imports.replay import replay_meter
from portal.actions.imports.waiting import poll_imports
from portal.actions.sites import save_site
from portal.models import Import, ImportState, Meter
from tests import factories
from tests.actions.exports import Rows, csv_text, days_rows, take_in
from tests.actions.imports.stored import counts, in_wh, state_of, stored, undone
from tests.factories import NOW

pytestmark = pytest.mark.django_db

FIRST = date(2026, 5, 4)


def wall_clock_text(rows: Rows) -> str:
    """Stamps as a logger at the roof writes them: no offset."""
    lines = [f"{moment:%Y-%m-%d %H:%M},{energy}" for moment, energy in rows]
    return "\n".join(["time,energy kWh", *lines])


def test_correcting_a_sites_time_zone_cuts_its_days_anew_from_the_originals() -> None:
    right = factories.meter(site=factories.site(tz="America/Denver"))
    wrong = factories.meter(site=factories.site(tz="America/New_York"))
    by_wall, by_offset = days_rows(FIRST, 3), days_rows(FIRST + timedelta(days=2), 2, scale=0.9)
    for meter in (right, wrong):
        assert take_in(meter, wall_clock_text(by_wall)).state == ImportState.DONE
        assert take_in(meter, csv_text(by_offset)).state == ImportState.DONE
    assert state_of(wrong) != state_of(right)
    before = stored(wrong)
    wrong.site.tz = "America/Denver"
    save_site(site=wrong.site, planes=list(wrong.site.planes.all()), now=NOW)
    wrong = Meter.objects.select_related("site").get(pk=wrong.pk)
    assert wrong.replay_asked_at == NOW
    assert stored(wrong) == before  # nothing moves until the days are cut anew
    assert poll_imports(now=NOW + STALLED_AFTER + timedelta(seconds=1)) == 1
    replay_meter(meter_id=wrong.pk, now=NOW)
    wrong = Meter.objects.select_related("site").get(pk=wrong.pk)
    assert state_of(wrong) == state_of(right)
    assert stored(wrong) == in_wh(by_wall) | in_wh(by_offset)
    ledgers = [[counts(one) for one in Import.objects.filter(meter=m).order_by("turn")] for m in (right, wrong)]
    assert ledgers[0] == ledgers[1]
    assert (wrong.replay_asked_at, wrong.zone) == (None, "America/Denver")
    for one in Import.objects.filter(meter=wrong).order_by("turn"):
        undone(one)
    assert stored(wrong) == {}
