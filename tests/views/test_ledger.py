"""The ledger of one file: who sees it, what it says, undo."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone

from portal.models import DayReadings, ImportState, Meter, Role, User
from tests import factories
from tests.actions.exports import csv_text, days_rows, take_in
from tests.views.uploads import FIRST, as_user, work

pytestmark = pytest.mark.django_db


LEDGER_PAGES = ["import_ledger", "import_state", "import_mapping", "import_rejected", "import_original"]


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


@pytest.mark.parametrize("text", ["Item,Price\nSoap,3.50\n", "Date,Balance\n2026-01-01,100.10\n2026-01-02,99.20\n"])
def test_a_wrong_file_is_left_out_and_nobody_is_asked_about_it_any_more(text: str, office: User, meter: Meter) -> None:
    take_in(meter, csv_text(days_rows(FIRST, 2)))
    wrong = take_in(meter, text, filename="wrong.csv", now=timezone.now())
    client = as_user(office)
    ledger = reverse("import_ledger", args=[wrong.pk])
    assert "It was the wrong file: leave it out" in client.get(ledger).content.decode()
    assert "wrong.csv" in client.get("/").content.decode()
    page = client.post(reverse("import_undo", args=[wrong.pk]), follow=True).content.decode()
    wrong.refresh_from_db()
    assert wrong.state == ImportState.UNDONE
    assert "nothing of it was taken in" in page
    assert f"by {office}" in page
    assert "wrong.csv" not in client.get("/").content.decode()
    assert DayReadings.objects.filter(meter=meter).count() == 2


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


def test_the_original_comes_back_as_it_was_and_never_opens_in_the_browser(office: User, meter: Meter) -> None:
    content = b"<html><script>alert(1)</script></html>"
    import_ = take_in(meter, content, filename="report.html")
    answer = as_user(office).get(reverse("import_original", args=[import_.pk]))
    assert b"".join(answer.streaming_content) == content  # type: ignore[attr-defined]
    assert answer["Content-Disposition"].startswith("attachment")
    assert answer["Content-Type"] == "application/octet-stream"
    assert answer["X-Content-Type-Options"] == "nosniff"


def test_gaps_and_clock_changes_are_told_by_the_roofs_own_clock(office: User, meter: Meter) -> None:
    sent = take_in(meter, csv_text(days_rows(FIRST, 1)))
    sent.gaps = [["2026-05-04T18:00:00+00:00", "2026-05-04T20:30:00+00:00"]]
    sent.clock_changes = ["2026-03-08T09:00:00+00:00"]
    sent.save()
    page = as_user(office).get(reverse("import_ledger", args=[sent.pk])).content.decode()
    # Denver: UTC−6 in summer; its clocks go forward at 2:00 standard time, UTC−7, and then show 3:00 (IANA tz database)
    assert "4 May 2026, 12:00 to 4 May 2026, 14:30" in page
    assert "8 Mar 2026, 03:00" in page
