"""Sending files by page: who may, what they see."""

from __future__ import annotations

import io
from datetime import date, timedelta
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.actions.uploads import FILES_A_DAY
from portal.models import CameBy, DayReadings, Import, ImportState, Meter, Role, User
from tests import factories
from tests.actions.exports import csv_text, days_rows, take_in
from tests.views.uploads import ALL_KWH, FIRST, as_user, lines, upload, work

pytestmark = pytest.mark.django_db


def test_a_sent_file_waits_then_shows_its_counts(office: User, meter: Meter) -> None:
    client = as_user(office)
    answer = upload(client, meter, ("may.csv", csv_text(days_rows(FIRST, 3)).encode()))
    import_ = Import.objects.get()
    assert answer.url == reverse("import_ledger", args=[import_.pk])
    assert (import_.state, import_.uploaded_by, import_.came_by) == (ImportState.PENDING, office, CameBy.UPLOAD)
    waiting = client.get(answer.url).content.decode()
    assert f'hx-get="{reverse("import_state", args=[import_.pk])}"' in waiting
    assert "hx-trigger" in client.get(reverse("import_state", args=[import_.pk])).content.decode()
    work(import_)
    read = client.get(reverse("import_state", args=[import_.pk]))
    assert read.headers["HX-Retarget"] == "#main"  # what the page now says takes the place of what it said
    assert "4 May 2026 to 6 May 2026" in read.content.decode()
    page = client.get(answer.url).content.decode()
    assert "4 May 2026 to 6 May 2026" in page
    assert '<dt>New</dt><dd class="nums">72</dd>' in page
    assert 'role="img" ' in page
    listed = client.get(reverse("imports")).content.decode()
    assert "may.csv" in listed


def test_several_files_at_once(office: User, meter: Meter) -> None:
    client = as_user(office)
    files = [(f"{n}.csv", csv_text(days_rows(date(2026, 5, n), 1)).encode()) for n in (4, 5, 6)]
    answer = upload(client, meter, *files)
    assert answer.url == reverse("imports")
    assert sorted(Import.objects.values_list("filename", flat=True)) == ["4.csv", "5.csv", "6.csv"]
    assert "hx-get" in client.get(answer.url).content.decode()  # the list follows while they are read


def test_who_has_one_meter_is_not_asked_which(office: User, meter: Meter) -> None:
    client, address = as_user(office), reverse("import_upload")
    page = client.get(address).content.decode()
    assert f"For <b>{meter}</b>" in page
    assert f'<input type="hidden" name="meter" value="{meter.pk}"' in page
    other = factories.meter(site=factories.site(customer=meter.site.customer, name="Barn"))
    assert client.get(address).content.decode().count("<option") == 2
    assert f"For <b>{other}</b>" in client.get(f"{address}?site={other.site_id}").content.decode()


def test_no_file_no_import(office: User, meter: Meter) -> None:
    answer = as_user(office).post(reverse("import_upload"), {"meter": meter.pk})
    assert "Choose a file first." in answer.content.decode()
    assert not Import.objects.exists()


def test_an_empty_file_gets_a_sentence_on_its_ledger(office: User, meter: Meter) -> None:
    client = as_user(office)
    upload(client, meter, ("empty.csv", b""))
    import_ = work(Import.objects.get())
    assert import_.state == ImportState.FAILED
    page = client.get(reverse("import_ledger", args=[import_.pk])).content.decode()
    assert "could not be read" in page
    assert "empty" in import_.problem


def test_nobody_is_asked_how_a_photo_is_to_be_read(office: User, meter: Meter) -> None:
    client = as_user(office)
    upload(client, meter, ("roof.jpg", b"\xff\xd8\xff\xe0\x00\x10JFIF\x00" + bytes(range(256)) * 20))
    import_ = work(Import.objects.get())
    assert (import_.state, import_.seen) == (ImportState.FAILED, None)
    ledger, how = (reverse(name, args=[import_.pk]) for name in ("import_ledger", "import_mapping"))
    page = client.get(ledger).content.decode()
    assert import_.problem in page
    assert how not in page
    assert client.get(how).headers["Location"] == ledger  # an address noted before it was read


def test_a_file_larger_than_any_file_of_readings_is_refused_in_words(office: User, meter: Meter, settings: Any) -> None:
    settings.LARGEST_UPLOAD = 2**20
    answer = upload(as_user(office), meter, ("huge.csv", b"," * (3 * 2**20)))
    assert answer.status_code == 200
    assert "“huge.csv” is larger than 1 MB" in answer.content.decode()
    assert not Import.objects.exists()


def test_a_homeowner_sends_for_own_roofs_only(meter: Meter) -> None:
    owner = factories.user()
    meter.site.customer.user = owner
    meter.site.customer.save()
    other = factories.meter(site=factories.site(customer=factories.customer(business=meter.site.customer.business)))
    client = as_user(owner)
    assert upload(client, meter, ("a.csv", b"x")).status_code == 302
    refused = upload(client, other, ("a.csv", b"x"))
    assert refused.status_code == 200
    assert Import.objects.count() == 1


@pytest.mark.parametrize("name", ["imports", "import_upload", "tokens"])
def test_a_technician_brings_nothing_in(meter: Meter, name: str) -> None:
    technician = factories.member(meter.site.customer.business, Role.TECHNICIAN)
    assert as_user(technician).get(reverse(name)).status_code == 403


@pytest.mark.parametrize("name", ["imports", "import_upload", "tokens"])
def test_a_stranger_is_sent_to_the_login(name: str) -> None:
    answer = Client().get(reverse(name))
    assert (answer.status_code, reverse("account_login") in answer["Location"]) == (302, True)


def test_a_number_that_is_none_of_ours_is_told_not_tripped_over(office: User, meter: Meter) -> None:
    client = Client()
    client.force_login(office)
    for query in ("/imports/?site=²", "/imports/new/?meter=²", "/imports/new/?site=²"):
        assert client.get(query).status_code == 200


def test_two_inverters_with_a_file_each_are_two_meters_of_one_roof(office: User, meter: Meter) -> None:
    def share(part: float) -> bytes:
        return lines("Time,PV energy (kWh)", lambda at, e: f"{at:%Y-%m-%d %H:%M},{e * part:.4f}")

    east, west = share(0.4), share(0.6)
    client = as_user(office)
    upload(client, meter, ("east.csv", east))
    assert work(Import.objects.get()).state == ImportState.DONE
    # Sent to the same meter the second would take the place of the first: that is said.
    upload(client, meter, ("west.csv", west))
    wrong = work(Import.objects.latest("pk"))
    assert "replaced_many" in [warning["code"] for warning in wrong.warnings]
    client.post(reverse("import_undo", args=[wrong.pk]))
    work(wrong)
    sent = [SimpleUploadedFile("west.csv", west)]
    client.post(reverse("import_upload"), {"meter": meter.pk, "other": "West", "sent": sent})
    assert work(Import.objects.latest("pk")).state == ImportState.DONE
    total, _ = DayReadings.objects.site_energy_wh(meter.site)
    assert float(total.sum()) / 1000 == pytest.approx(ALL_KWH, rel=1e-3)
    client.post(reverse("import_upload"), {"meter": meter.pk, "other": "West", "sent": [SimpleUploadedFile("w", west)]})
    assert list(meter.site.meters.values_list("name", flat=True)) == ["Production", "West"]


def test_a_roof_is_not_sent_more_in_a_day_than_it_can_need(office: User, meter: Meter) -> None:
    now = timezone.now()
    Import.objects.bulk_create(
        Import(meter=meter, uploaded_at=now, filename=f"{number}.csv", sha256="-", original=f"{number}.csv")
        for number in range(FILES_A_DAY - 1)
    )
    # Many more at once than Django takes by itself, which would be told without a word on what to do.
    rest = [("over.csv", b"y"), *((f"{number}.csv", b"y") for number in range(150))]
    answer = upload(as_user(office), meter, ("last.csv", b"x"), *rest, follow=True)
    assert "“over.csv” and what follows it is not in" in answer.content.decode()
    assert "Pack many files into one zip, or send the rest tomorrow." in answer.content.decode()
    assert Import.objects.filter(filename="last.csv").exists()
    assert Import.objects.count() == FILES_A_DAY
    Import.objects.update(uploaded_at=now - timedelta(days=1))
    assert upload(as_user(office), meter, ("over.csv", b"y")).status_code == 302
    assert Import.objects.filter(filename="over.csv").exists()


def test_a_big_business_is_asked_which_roof(office: User, meter: Meter) -> None:
    firm = meter.site.customer.business
    for number in range(51):
        customer = factories.customer(business=firm, name=f"Household {number:02d}")
        factories.meter(site=factories.site(customer=customer))
    client = as_user(office)
    page = client.get(reverse("import_upload")).content.decode()
    assert "Which roof?" in page
    found = client.get(reverse("import_upload"), {"q": "household 07"})
    assert len(found.context["form"].fields["meter"].choices) == 1
    none = client.get(reverse("import_upload"), {"q": "nobody"}).content.decode()
    assert "No roof matches “nobody”" in none


def test_the_list_takes_a_fixed_number_of_queries(
    office: User, meter: Meter, django_assert_max_num_queries: Any
) -> None:
    client = as_user(office)
    for number in range(8):
        take_in(meter, csv_text(days_rows(date(2026, 5, 1 + number), 1)))
    with django_assert_max_num_queries(14):
        client.get(reverse("imports"))


def test_a_real_production_file_goes_in_through_the_upload_page() -> None:
    """15-minute AC power of a system at NREL's SERF, Golden, Colorado: open data of the pvanalytics wheel (MIT).

    Watts, stamps at −07:00 all year, night values slightly negative; read from the installed package.
    """
    # located, not imported: the package itself wants more than its data does
    source = metadata.distribution("pvanalytics").locate_file("pvanalytics/data/serf_east_15min_ac_power.csv")
    content = Path(str(source)).read_bytes()
    table = pd.read_csv(io.BytesIO(content), index_col=0)
    watts = table.iloc[:, 0]
    site = factories.site(latitude=39.742, longitude=-105.1727, tz="America/Denver", ac_kw=6.0, planes=False)
    site.planes.create(tilt=45, azimuth=158, dc_kw=6.0, module_count=30)
    meter = factories.meter(site=site)
    office = factories.member(site.customer.business, Role.OFFICE)
    client = as_user(office)
    assert upload(client, meter, ("serf.csv", content)).status_code == 302
    import_ = work(Import.objects.get())
    if import_.state == ImportState.QUESTION:
        how = reverse("import_mapping", args=[import_.pk])
        form = client.get(how).context["form"]
        answers = {name: field.initial for name, field in form.fields.items() if field.initial}
        answers |= {code: form.fields[code].choices[0][0] for code in form.asked}
        assert client.post(how, answers | {"read": "1"}).status_code == 302
        work(import_)
    assert import_.state == ImportState.DONE, (import_.problem, import_.questions)
    assert import_.rows_read == len(watts)
    assert import_.interval_minutes == 15
    taken = import_.readings_new
    assert taken + import_.rows_rejected + import_.rows_blank + import_.rows_duplicate == len(watts)
    energy, minutes = DayReadings.objects.filter(meter=meter).site_energy_wh(site)
    assert minutes == 15
    assert int(energy.notna().sum()) == taken
    # mean power of a quarter of an hour in W is four times its energy in Wh; nights below zero count as zero or as read
    total = float(watts.sum()) / 4
    positive = float(watts.clip(lower=0).sum()) / 4
    assert total * 0.999 <= float(np.nansum(energy)) <= positive * 1.001
    stamps = pd.to_datetime(table.index, utc=True)
    assert (import_.first_day, import_.last_day) == (
        stamps[0].tz_convert("America/Denver").date(),
        stamps[-1].tz_convert("America/Denver").date(),
    )
