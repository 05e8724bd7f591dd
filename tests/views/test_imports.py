"""Sending files by page: who may, what they see, what they can correct and undo."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
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

from portal.actions.imports import work_on_import
from portal.actions.uploads import FILES_A_DAY
from portal.models import CameBy, DayReadings, Import, ImportState, Meter, Role, User, unpack
from tests import factories
from tests.actions.exports import csv_text, days_rows, take_in
from tests.factories import NOW

pytestmark = pytest.mark.django_db

FIRST = date(2026, 5, 4)


@pytest.fixture
def meter() -> Meter:
    return factories.meter()


@pytest.fixture
def office(meter: Meter) -> User:
    return factories.member(meter.site.customer.business, Role.OFFICE)


def as_user(user: User) -> Client:
    client = Client()
    client.force_login(user)
    return client


def upload(client: Client, meter: Meter, *files: tuple[str, bytes], **how: Any) -> Any:
    sent = [SimpleUploadedFile(name, content) for name, content in files]
    return client.post(reverse("import_upload"), {"meter": meter.pk, "sent": sent}, **how)


def work(import_: Import) -> Import:
    work_on_import(import_id=import_.pk, now=NOW)
    import_.refresh_from_db()
    return import_


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
    assert client.get(reverse("import_state", args=[import_.pk])).headers["HX-Refresh"] == "true"
    page = client.get(answer.url).content.decode()
    assert "4 May 2026 to 6 May 2026" in page
    assert '<dt>New</dt><dd class="nums">72</dd>' in page
    assert "<svg" in page
    listed = client.get(reverse("imports")).content.decode()
    assert "may.csv" in listed


def test_several_files_at_once(office: User, meter: Meter) -> None:
    client = as_user(office)
    files = [(f"{n}.csv", csv_text(days_rows(date(2026, 5, n), 1)).encode()) for n in (4, 5, 6)]
    answer = upload(client, meter, *files)
    assert answer.url == reverse("imports")
    assert sorted(Import.objects.values_list("filename", flat=True)) == ["4.csv", "5.csv", "6.csv"]
    assert "hx-get" in client.get(answer.url).content.decode()  # the list follows while they are read


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


LEDGER_PAGES = ["import_ledger", "import_state", "import_how", "import_rejected", "import_original"]


@pytest.mark.parametrize("name", LEDGER_PAGES)
def test_a_ledger_is_seen_by_its_own_people_alone(office: User, meter: Meter, name: str) -> None:
    import_ = take_in(meter, csv_text(days_rows(FIRST, 2)))
    url = reverse(name, args=[import_.pk])
    seen: Any = as_user(office).get(url)
    if seen.streaming:
        b"".join(seen.streaming_content)  # the client closes the file at its end
    assert seen.status_code == 200
    stranger = factories.member(factories.business(), Role.OWNER)
    assert as_user(stranger).get(url).status_code == 404
    technician = factories.member(meter.site.customer.business, Role.TECHNICIAN)
    assert as_user(technician).get(url).status_code == 404


def test_undo_from_the_ledger(office: User, meter: Meter) -> None:
    import_ = take_in(meter, csv_text(days_rows(FIRST, 2)))
    url = reverse("import_undo", args=[import_.pk])
    stranger = factories.member(factories.business(), Role.OWNER)
    assert as_user(stranger).post(url).status_code == 404
    client = as_user(office)
    assert client.get(url).status_code == 405
    client.post(url)
    assert work(import_).state == ImportState.UNDONE
    assert not DayReadings.objects.exists()
    page = client.get(reverse("import_ledger", args=[import_.pk])).content.decode()
    assert f"by {office}" in page
    again = client.post(url, follow=True)
    assert "Only a file that was read can be undone." in again.content.decode()


def test_rejected_lines_are_listed_and_download_as_safe_csv(office: User, meter: Meter) -> None:
    text = csv_text(days_rows(FIRST, 2)).splitlines()
    text[20] = '=HYPERLINK("http://elsewhere.example"),1.0'
    import_ = take_in(meter, "\n".join(text))
    assert (import_.rows_read, import_.rows_rejected, import_.readings_new) == (48, 1, 47)
    client = as_user(office)
    page = client.get(reverse("import_ledger", args=[import_.pk])).content.decode()
    assert '<th scope="row" class="nums">21</th>' in page
    answer = client.get(reverse("import_rejected", args=[import_.pk]))
    assert answer["Content-Disposition"].startswith("attachment")
    lines = list(csv.reader(io.StringIO(answer.content.decode())))
    assert lines[0] == ["file", "line", "reason", "text"]
    assert lines[1][1] == "21"
    assert lines[1][3].startswith("'=HYPERLINK")


def test_a_number_that_is_none_of_ours_is_told_not_tripped_over(office: User, meter: Meter) -> None:
    client = Client()
    client.force_login(office)
    for query in ("/imports/?site=²", "/imports/new/?meter=²", "/imports/new/?site=²"):
        assert client.get(query).status_code == 200


def test_the_original_comes_back_as_it_was_and_never_opens_in_the_browser(office: User, meter: Meter) -> None:
    content = b"<html><script>alert(1)</script></html>"
    import_ = take_in(meter, content, filename="report.html")
    answer = as_user(office).get(reverse("import_original", args=[import_.pk]))
    assert b"".join(answer.streaming_content) == content  # type: ignore[attr-defined]
    assert answer["Content-Disposition"].startswith("attachment")
    assert answer["Content-Type"] == "application/octet-stream"
    assert answer["X-Content-Type-Options"] == "nosniff"


def ambiguous() -> bytes:
    lines = ["Date;Energy kWh"]
    for day in range(1, 9):
        for hour in range(24):
            energy = max(0.0, 3 - abs(hour + 0.5 - 12) / 2)
            lines.append(f"{day:02d}/{5 + day % 4:02d}/2025 {hour:02d}:00;{energy:.2f}")
    return "\n".join(lines).encode()


def test_a_doubt_is_asked_drawn_and_answered(office: User, meter: Meter) -> None:
    client = as_user(office)
    upload(client, meter, ("doubt.csv", ambiguous()))
    import_ = work(Import.objects.get())
    assert import_.state == ImportState.QUESTION
    ledger = client.get(reverse("import_ledger", args=[import_.pk])).content.decode()
    how = reverse("import_how", args=[import_.pk])
    assert f'href="{how}"' in ledger
    page = client.get(how)
    form = page.context["form"]
    assert 'type="radio"' in page.content.decode()
    assert "<svg" in page.content.decode()
    refused = client.post(how, {"read": "1"})
    assert refused.context["form"].errors["date_order"] == ["Choose one of these first."]
    answers = {name: field.initial for name, field in form.fields.items() if field.initial}
    answers |= {code: form.fields[code].choices[0][0] for code in form.asked} | {"date_order": "dmy"}
    drawn = client.post(how, answers | {"draw": "1"})
    assert drawn.status_code == 200
    assert not drawn.context["problem"], drawn.context["problem"]
    assert "<svg" in drawn.content.decode()
    assert Import.objects.get().state == ImportState.QUESTION
    assert client.post(how, answers | {"read": "1"}).status_code == 302
    assert work(import_).state == ImportState.DONE, import_.problem
    assert DayReadings.objects.filter(meter=meter, day=date(2025, 6, 1)).exists()


def lines(head: str, line: Callable[[datetime, float], str], first: date = FIRST, days: int = 3) -> bytes:
    rows = ((moment, energy or 0.0) for moment, energy in days_rows(first, days))
    return "\n".join([head, *(line(moment, energy) for moment, energy in rows)]).encode()


def kwh_of(meter: Meter) -> float:
    return sum(float(np.nansum(unpack(row.packed))) for row in DayReadings.objects.filter(meter=meter)) / 1000


ALL_KWH = sum(energy or 0.0 for _, energy in days_rows(FIRST, 3))


def filled(form: Any) -> dict[str, Any]:
    """What a browser sends of a form nobody has touched."""
    return {name: field.initial for name, field in form.fields.items() if field.initial}


def test_of_many_columns_those_that_belong_are_ticked(office: User, meter: Meter) -> None:
    """Two inverters, each with its two strings beside it: any two of six columns may be right, and only one pair is."""
    content = lines(
        "Time,INV1 MPPT1 (kW),INV1 MPPT2 (kW),INV1 AC (kW),INV2 MPPT1 (kW),INV2 MPPT2 (kW),INV2 AC (kW)",
        lambda at, kw: (
            f"{at:%Y-%m-%d %H:%M}," + ",".join(f"{kw * part:.4f}" for part in (0.1, 0.3, 0.4, 0.2, 0.4, 0.6))
        ),
    )
    client = as_user(office)
    upload(client, meter, ("strings.csv", content))
    import_ = work(Import.objects.get())
    assert [question["code"] for question in import_.questions] == ["columns"]
    how = reverse("import_how", args=[import_.pk])
    page = client.get(how)
    assert page.content.decode().count('type="checkbox"') == 6
    answers = filled(page.context["form"])
    none = client.post(how, answers | {"read": "1"})
    assert none.context["form"].errors["columns"] == ["Tick at least one column."]
    assert client.post(how, answers | {"columns": ["INV1 AC (kW)", "INV2 AC (kW)"], "read": "1"}).status_code == 302
    assert work(import_).state == ImportState.DONE, import_.problem
    assert kwh_of(meter) == pytest.approx(ALL_KWH, rel=1e-3)


def test_columns_of_different_units_are_not_added_up_and_bring_their_own_unit(office: User, meter: Meter) -> None:
    content = lines("Time,PV power (W),PV energy (kWh)", lambda at, e: f"{at:%Y-%m-%d %H:%M},{1000 * e:.0f},{e:.3f}")
    client = as_user(office)
    upload(client, meter, ("both.csv", content))
    import_ = work(Import.objects.get())
    assert import_.mapping
    assert import_.mapping["value_columns"] == ["PV energy (kWh)"]
    how = reverse("import_how", args=[import_.pk])
    answers = filled(client.get(how).context["form"])
    both = client.post(how, answers | {"columns": ["PV power (W)", "PV energy (kWh)"], "read": "1"})
    assert "Tick those of one unit" in both.content.decode()
    assert client.post(how, answers | {"columns": ["PV power (W)"], "read": "1"}).status_code == 302
    new = Import.objects.exclude(pk=import_.pk).get()
    assert new.mapping
    assert (new.mapping["kind"], new.mapping["unit"]) == ("power", "W")
    assert (work(new).state, work(import_).state) == (ImportState.DONE, ImportState.UNDONE), new.problem
    assert kwh_of(meter) == pytest.approx(ALL_KWH, rel=1e-3)


def test_an_answer_about_the_clock_stands_beside_the_untouched_rest(office: User, meter: Meter) -> None:
    """The page asks for the clock twice, as a doubt and among the rest; the rest nobody touched must not win."""
    content = lines("Time,PV energy (kWh)", lambda at, e: f"{at.astimezone(UTC):%Y-%m-%d %H:%M},{e:.3f}", days=5)
    client = as_user(office)
    upload(client, meter, ("utc.csv", content))
    import_ = work(Import.objects.get())
    assert [question["code"] for question in import_.questions] == ["hours"]
    how = reverse("import_how", args=[import_.pk])
    answers = filled(client.get(how).context["form"])
    assert client.post(how, answers | {"hours": "utc", "read": "1"}).status_code == 302
    assert work(import_).state == ImportState.DONE, (import_.problem, import_.questions)
    assert import_.mapping
    assert import_.mapping["clock"]["kind"] == "utc"


def test_a_file_that_gives_nothing_as_guessed_is_mapped_by_hand(office: User, meter: Meter) -> None:
    content = lines("Time,House usage (kWh)", lambda at, e: f"{at:%d/%m/%Y %H:%M},{e:.3f}", date(2026, 5, 12))
    client = as_user(office)
    upload(client, meter, ("usage.csv", content))
    import_ = work(Import.objects.get())
    assert import_.state == ImportState.FAILED
    how = reverse("import_how", args=[import_.pk])
    assert f'href="{how}"' in client.get(reverse("import_ledger", args=[import_.pk])).content.decode()
    page = client.get(how)
    assert "energy that was used or bought" in page.content.decode()
    answers = filled(page.context["form"]) | {"columns": ["House usage (kWh)"]}
    drawn = client.post(how, answers | {"draw": "1"})
    assert "<svg" in drawn.content.decode()
    assert client.post(how, answers | {"read": "1"}).status_code == 302
    assert work(import_).state == ImportState.DONE, import_.problem
    assert DayReadings.objects.filter(meter=meter).count() == 3


def test_another_meter_of_the_file_is_chosen_afterwards(office: User, meter: Meter) -> None:
    content = lines(
        "Serial,Time,PV energy (kWh)",
        lambda at, e: f"A100,{at:%Y-%m-%d %H:%M},{e:.3f}\nA200,{at:%Y-%m-%d %H:%M},{e / 2:.4f}",
    )
    client = as_user(office)
    upload(client, meter, ("two.csv", content))
    import_ = work(Import.objects.get())
    how = reverse("import_how", args=[import_.pk])
    answers = filled(client.get(how).context["form"])
    client.post(how, answers | {"meter": "A200", "read": "1"})
    assert work(import_).state == ImportState.DONE, import_.problem
    assert kwh_of(meter) == pytest.approx(ALL_KWH / 2, rel=1e-3)
    answers = filled(client.get(how).context["form"])
    assert answers["meter"] == "A200"
    client.post(how, answers | {"meter": "A100", "read": "1"})
    new = Import.objects.exclude(pk=import_.pk).get()
    work(import_)
    assert work(new).state == ImportState.DONE, new.problem
    assert kwh_of(meter) == pytest.approx(ALL_KWH, rel=1e-3)


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


def test_a_wrong_unit_is_corrected_from_the_ledger(office: User, meter: Meter) -> None:
    import_ = take_in(meter, csv_text(days_rows(FIRST, 2)))
    client = as_user(office)
    how = reverse("import_how", args=[import_.pk])
    form = client.get(how).context["form"]
    answers = {name: field.initial for name, field in form.fields.items() if field.initial}
    bad = client.post(how, answers | {"kind": "power", "read": "1"})
    assert "Power is in W, kW or MW" in bad.content.decode()
    answer: Any = client.post(how, answers | {"kind": "power", "unit": "kW", "read": "1"})
    new = Import.objects.exclude(pk=import_.pk).get()
    assert answer.url == reverse("import_ledger", args=[new.pk])
    assert (work(new).state, work(import_).state) == (ImportState.DONE, ImportState.UNDONE), new.problem
    new.refresh_from_db()  # it was counted against the first reading until that was undone
    # hourly mean power in kW is the same number as hourly energy in kWh
    assert new.readings_new == 48


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


# ---- a real file ----


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
        how = reverse("import_how", args=[import_.pk])
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


def test_gaps_and_clock_changes_are_told_by_the_roofs_own_clock(office: User, meter: Meter) -> None:
    sent = take_in(meter, csv_text(days_rows(FIRST, 1)))
    sent.gaps = [["2026-05-04T18:00:00+00:00", "2026-05-04T20:30:00+00:00"]]
    sent.clock_changes = ["2026-03-08T09:00:00+00:00"]
    sent.save()
    page = as_user(office).get(reverse("import_ledger", args=[sent.pk])).content.decode()
    # Denver: UTC−6 in summer; its clocks go forward at 2:00 standard time, UTC−7, and then show 3:00 (IANA tz database)
    assert "4 May 2026, 12:00 to 4 May 2026, 14:30" in page
    assert "8 Mar 2026, 03:00" in page
