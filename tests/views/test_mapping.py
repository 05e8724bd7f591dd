"""How a file is read: asked, drawn, corrected."""

from __future__ import annotations

from datetime import UTC, date, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone

from portal.models import DayReadings, Drawing, Import, ImportState, Meter, User
from tests.actions.exports import csv_text, days_rows, take_in
from tests.views.uploads import ALL_KWH, FIRST, ambiguous, as_user, draw, filled, kwh_of, lines, upload, work

pytestmark = pytest.mark.django_db


def test_a_doubt_is_asked_drawn_and_answered(office: User, meter: Meter) -> None:
    client = as_user(office)
    upload(client, meter, ("doubt.csv", ambiguous()))
    import_ = work(Import.objects.get())
    assert import_.state == ImportState.QUESTION
    ledger = client.get(reverse("import_ledger", args=[import_.pk])).content.decode()
    address = reverse("import_mapping", args=[import_.pk])
    assert f'href="{address}"' in ledger
    page = client.get(address)
    form = page.context["form"]
    assert 'type="radio"' in page.content.decode()
    assert 'role="img" ' in page.content.decode()
    refused = client.post(address, {"read": "1"})
    assert refused.context["form"].errors["date_order"] == ["Choose one of these first."]
    answers = {name: field.initial for name, field in form.fields.items() if field.initial}
    answers |= {code: form.fields[code].choices[0][0] for code in form.asked} | {"date_order": "dmy"}
    asked: Any = client.post(address, answers | {"draw": "1"}, follow=True)
    assert "Your choices wait for the worker" in asked.content.decode()
    assert 'role="img" ' not in asked.content.decode()
    chosen = {name: asked.context["form"].get_initial_for_field(field, name) for name, field in form.fields.items()}
    assert {code: chosen[code] for code in answers} == answers
    draw()
    drawing = client.get(reverse("import_drawing", args=[import_.pk]))
    assert not drawing.context["drawing"].problem
    assert 'role="img" ' in drawing.content.decode()
    assert "hx-get" not in drawing.content.decode()  # it stands, nobody need ask again
    assert 'role="img" ' in client.get(asked.request["PATH_INFO"] + "?drawing").content.decode()
    assert Import.objects.get().state == ImportState.QUESTION
    assert client.post(address, answers | {"read": "1"}).status_code == 302
    assert work(import_).state == ImportState.DONE, import_.problem
    assert DayReadings.objects.filter(meter=meter, day=date(2025, 6, 1)).exists()


def test_a_column_of_am_and_pm_stays_with_its_time_when_something_else_is_answered(office: User, meter: Meter) -> None:
    client = as_user(office)
    sent = lines("Date,Time,AM/PM,kWh", lambda moment, kwh: f"{moment:%m/%d/%Y,%I:%M,%p},{kwh:.3f}")
    upload(client, meter, ("halves.csv", sent))
    import_ = work(Import.objects.get())
    address = reverse("import_mapping", args=[import_.pk])
    form = client.get(address).context["form"]
    assert form.base.time_columns == ("Date", "Time", "AM/PM")
    answers = {name: field.initial for name, field in form.fields.items() if field.initial}
    answers |= {code: form.fields[code].choices[0][0] for code in form.asked} | {"kind": "energy", "unit": "Wh"}
    assert client.post(address, answers | {"read": "1"}).status_code == 302
    new = work(Import.objects.exclude(pk=import_.pk).get())
    assert new.state == ImportState.DONE, new.problem
    assert new.mapping is not None
    assert new.mapping["time_columns"] == ["Date", "Time", "AM/PM"]


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
    address = reverse("import_mapping", args=[import_.pk])
    page = client.get(address)
    assert page.content.decode().split("<main")[1].split("</main>")[0].count('type="checkbox"') == 6
    answers = filled(page.context["form"])
    none = client.post(address, answers | {"read": "1"})
    assert none.context["form"].errors["columns"] == ["Tick at least one column."]
    assert client.post(address, answers | {"columns": ["INV1 AC (kW)", "INV2 AC (kW)"], "read": "1"}).status_code == 302
    assert work(import_).state == ImportState.DONE, import_.problem
    assert kwh_of(meter) == pytest.approx(ALL_KWH, rel=1e-3)


def test_columns_of_different_units_are_not_added_up_and_bring_their_own_unit(office: User, meter: Meter) -> None:
    content = lines("Time,PV power (W),PV energy (kWh)", lambda at, e: f"{at:%Y-%m-%d %H:%M},{1000 * e:.0f},{e:.3f}")
    client = as_user(office)
    upload(client, meter, ("both.csv", content))
    import_ = work(Import.objects.get())
    assert import_.mapping
    assert import_.mapping["value_columns"] == ["PV energy (kWh)"]
    address = reverse("import_mapping", args=[import_.pk])
    answers = filled(client.get(address).context["form"])
    both = client.post(address, answers | {"columns": ["PV power (W)", "PV energy (kWh)"], "read": "1"})
    assert "Tick those of one unit" in both.content.decode()
    assert client.post(address, answers | {"columns": ["PV power (W)"], "read": "1"}).status_code == 302
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
    address = reverse("import_mapping", args=[import_.pk])
    answers = filled(client.get(address).context["form"])
    assert client.post(address, answers | {"hours": "utc", "read": "1"}).status_code == 302
    assert work(import_).state == ImportState.DONE, (import_.problem, import_.questions)
    assert import_.mapping
    assert import_.mapping["clock"]["kind"] == "utc"


def test_a_file_that_gives_nothing_as_guessed_is_mapped_by_hand(office: User, meter: Meter) -> None:
    content = lines("Time,House usage (kWh)", lambda at, e: f"{at:%d/%m/%Y %H:%M},{e:.3f}", date(2026, 5, 12))
    client = as_user(office)
    upload(client, meter, ("usage.csv", content))
    import_ = work(Import.objects.get())
    assert import_.state == ImportState.FAILED
    address = reverse("import_mapping", args=[import_.pk])
    assert f'href="{address}"' in client.get(reverse("import_ledger", args=[import_.pk])).content.decode()
    page = client.get(address)
    assert "energy that was used or bought" in page.content.decode()
    answers = filled(page.context["form"]) | {"columns": ["House usage (kWh)"]}
    client.post(address, answers | {"draw": "1"})
    draw()
    assert 'role="img" ' in client.get(address + "?drawing").content.decode()
    assert client.post(address, answers | {"read": "1"}).status_code == 302
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
    address = reverse("import_mapping", args=[import_.pk])
    answers = filled(client.get(address).context["form"])
    client.post(address, answers | {"meter": "A200", "read": "1"})
    assert work(import_).state == ImportState.DONE, import_.problem
    assert kwh_of(meter) == pytest.approx(ALL_KWH / 2, rel=1e-3)
    answers = filled(client.get(address).context["form"])
    assert answers["meter"] == "A200"
    client.post(address, answers | {"meter": "A100", "read": "1"})
    new = Import.objects.exclude(pk=import_.pk).get()
    work(import_)
    assert work(new).state == ImportState.DONE, new.problem
    assert kwh_of(meter) == pytest.approx(ALL_KWH, rel=1e-3)


def test_a_wrong_unit_is_corrected_from_the_ledger(office: User, meter: Meter) -> None:
    import_ = take_in(meter, csv_text(days_rows(FIRST, 2)))
    client = as_user(office)
    address = reverse("import_mapping", args=[import_.pk])
    form = client.get(address).context["form"]
    answers = {name: field.initial for name, field in form.fields.items() if field.initial}
    bad = client.post(address, answers | {"kind": "power", "read": "1"})
    assert "Power is in W, kW or MW" in bad.content.decode()
    answer: Any = client.post(address, answers | {"kind": "power", "unit": "kW", "read": "1"})
    new = Import.objects.exclude(pk=import_.pk).get()
    assert answer.url == reverse("import_ledger", args=[new.pk])
    assert (work(new).state, work(import_).state) == (ImportState.DONE, ImportState.UNDONE), new.problem
    new.refresh_from_db()  # it was counted against the first reading until that was undone
    # hourly mean power in kW is the same number as hourly energy in kWh
    assert new.readings_new == 48


def test_no_page_opens_the_file_it_asks_about(office: User, meter: Meter) -> None:
    """The worker has seen it; with the file gone every page about it still stands, and says so where it matters."""
    client = as_user(office)
    upload(client, meter, ("doubt.csv", ambiguous()))
    import_ = work(Import.objects.get())
    Path(import_.original.path).unlink()
    address = reverse("import_mapping", args=[import_.pk])
    page = client.get(address)
    assert "<td>01/06/2025 00:00</td><td>0.00</td>" in page.content.decode()
    assert 'role="img" ' in page.content.decode()
    answers = filled(page.context["form"]) | dict.fromkeys(page.context["form"].asked, "dmy")
    assert client.post(address, answers | {"draw": "1"}, follow=True).status_code == 200
    assert client.get(reverse("import_drawing", args=[import_.pk])).status_code == 200
    draw()
    assert "the fault is ours" in client.get(address + "?drawing").content.decode()
    assert "gone from the disk" in client.get(reverse("import_ledger", args=[import_.pk])).content.decode()
    assert client.get(reverse("import_original", args=[import_.pk])).status_code == 404
    assert client.post(address, answers | {"read": "1"}).status_code == 302
    assert work(import_).state == ImportState.FAILED
    assert import_.mapping


def test_a_file_that_is_gone_cannot_be_read_differently_and_what_it_brought_stays(office: User, meter: Meter) -> None:
    import_ = take_in(meter, csv_text(days_rows(FIRST, 2)))
    Path(import_.original.path).unlink()
    client = as_user(office)
    address = reverse("import_mapping", args=[import_.pk])
    refused = client.post(
        address, filled(client.get(address).context["form"]) | {"unit": "Wh", "read": "1"}, follow=True
    )
    assert "The kept file is no longer there" in refused.content.decode()
    assert Import.objects.get().state == ImportState.DONE
    assert DayReadings.objects.count() == 2


def test_without_a_worker_the_pages_say_that_they_wait(office: User, meter: Meter) -> None:
    client = as_user(office)
    answer: Any = upload(client, meter, ("may.csv", csv_text(days_rows(FIRST, 2)).encode()))
    assert "The file is in and waits for the worker." in client.get(answer.url).content.decode()
    Import.objects.update(asked_at=timezone.now() - timedelta(minutes=7))
    for address in (answer.url, reverse("import_state", args=[Import.objects.get().pk]), reverse("imports")):
        said = " ".join(client.get(address).content.decode().replace("\xa0", " ").split())
        assert "has waited 7 minutes for the worker" in said, address
    import_ = work(Import.objects.get())
    assert "has waited" not in client.get(reverse("imports")).content.decode()
    address = reverse("import_mapping", args=[import_.pk])
    client.post(address, filled(client.get(address).context["form"]) | {"draw": "1"})
    Drawing.objects.update(asked_at=timezone.now() - timedelta(minutes=7))
    said = client.get(reverse("import_drawing", args=[import_.pk])).content.decode().replace("\xa0", " ")
    assert "Your choices have waited 7 minutes for the worker" in said


def test_an_import_of_before_the_worker_kept_what_it_saw_is_drawn_first(office: User, meter: Meter) -> None:
    import_ = take_in(meter, csv_text(days_rows(FIRST, 2)))
    Import.objects.update(seen=None)
    client = as_user(office)
    address = reverse("import_mapping", args=[import_.pk])
    page = client.get(address)
    assert "The first lines" not in page.content.decode()
    client.post(address, filled(page.context["form"]) | {"draw": "1"})
    draw()
    assert "The first lines" in client.get(address).content.decode()
