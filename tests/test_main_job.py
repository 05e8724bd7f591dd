"""The main job on a real production file that nobody here wrote: file in, verdict and no false lead out."""

from __future__ import annotations

from datetime import UTC, date, datetime
from importlib import metadata
from pathlib import Path

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from portal.actions.imports.waiting import work_on_import
from portal.actions.nights import ask_for_assessment, assess_next
from portal.models import Import, ImportState, Lead, Reminder, ReminderKind, Role, SiteAssessment
from tests import factories

NOW = datetime(2016, 10, 14, 6, 0, tzinfo=UTC)
"""The night after the file's last whole day, 12 October 2016."""


@pytest.mark.django_db
def test_a_real_system_is_read_judged_and_not_called_dirty_without_proof() -> None:
    """AC power of the SERF East system, NREL, Golden, Colorado, July to October 2016.

    Source: open data in the ``pvanalytics`` 0.2.2 wheel (MIT), ``data/serf_east_15min_ac_power.csv``: watts, stamps at
    −07:00 all year, night values slightly negative. Place, tilt 45 and azimuth 158 as that project's gallery gives
    them. The DC size is not in the file: 6 kW is from memory, and the band below is as wide as that.
    """
    source = metadata.distribution("pvanalytics").locate_file("pvanalytics/data/serf_east_15min_ac_power.csv")
    site = factories.site(latitude=39.742, longitude=-105.1727, tz="America/Denver", ac_kw=6.0, planes=False)
    site.planes.create(tilt=45, azimuth=158, dc_kw=6.0, module_count=30)
    meter = factories.meter(site=site)
    client = Client()
    client.force_login(factories.member(site.customer.business, Role.OFFICE))
    sent = {
        "meter": meter.pk,
        "sent": SimpleUploadedFile("production.csv", Path(str(source)).read_bytes(), "text/csv"),
    }
    assert client.post(reverse("import_upload"), sent).status_code == 302
    import_ = Import.objects.get()
    work_on_import(import_id=import_.pk, now=NOW)
    import_.refresh_from_db()
    assert import_.state == ImportState.DONE, (import_.problem, import_.questions)

    ask_for_assessment(site, now=NOW)
    assess_next(now=NOW)
    kept = SiteAssessment.objects.get()
    assert kept.as_of == date(2016, 10, 13)
    assert kept.quality["days"] in (104, 105)
    # Golden sees sun on most summer days (common knowledge, no source): a third must have clear stretches
    assert kept.quality["clear_days"] >= 35
    daily = site.daily.frame()
    clear = daily[daily["used"]]
    index = (clear["energy_wh"] / clear["expected_wh"]).median()
    # a working system's whole used days lie below the clear sky and above half of it
    assert 0.5 < index < 1.05
    # and its clear intervals make what 6 kW can: PVWatts' 14 % of losses, and 10 % of doubt about the size each way
    assert 0.75 < float(np.median(clear["index"])) < 1.2
    assert (daily["energy_wh"].iloc[:-1] > 0).all(), "negative nights leave no day below zero"

    # a hundred days cannot tell dirt from season, and nothing here may make a false lead
    assert kept.verdict in ("clean", "not enough data")
    assert not Lead.objects.exists()
    assert not Reminder.objects.filter(kind__in=[ReminderKind.DUE, ReminderKind.OTHER_FAULT]).exists()

    # the homeowner-to-be sees the answer with its reason
    page = client.get(reverse("site", args=[site.pk]))
    assert page.status_code == 200
    assert kept.reasons
