"""The record of a visit: entries arrive once, two phones add up, findings follow."""

from __future__ import annotations

import io
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from PIL import Image

from portal.actions.photos import keep_photo
from portal.actions.record import close_referral, missing_from, record_entry
from portal.actions.visits import cancel_visit, finish_visit, reopen_visit
from portal.models import EntryKind, Look, Role, User, Visit, VisitEntry, VisitState
from portal.models.record import findings, standing, times_there
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def _enter(visit: Visit, by: User, kind: str = "step", item: str = "tap", **fields: Any) -> VisitEntry:
    if kind in ("sign_off", "finish", "few_photos"):
        item = ""
    defaults: dict[str, Any] = {"client_id": uuid4(), "kind": kind, "item": item, "at": NOW, "now": NOW}
    return record_entry(visit=visit, by=by, **(defaults | fields))


@pytest.fixture
def crew() -> tuple[Visit, User, User]:
    visit = factories.visit()
    firm = visit.site.customer.business
    return visit, factories.member(firm, Role.TECHNICIAN), factories.member(firm, Role.TECHNICIAN)


def test_the_same_entry_sent_twice_is_one(crew: tuple[Visit, User, User]) -> None:
    visit, one, _ = crew
    client_id = uuid4()
    assert _enter(visit, one, client_id=client_id) == _enter(visit, one, client_id=client_id)
    assert visit.entries.count() == 1


def test_the_same_number_on_another_visit_is_another_entry(crew: tuple[Visit, User, User]) -> None:
    visit, one, _ = crew
    client_id = uuid4()
    assert _enter(visit, one, client_id=client_id) != _enter(factories.visit(), one, client_id=client_id)


def test_a_persons_newest_word_stands(crew: tuple[Visit, User, User]) -> None:
    visit, one, _ = crew
    late = _enter(visit, one, "inspection", "glass", answer="ok", at=NOW)
    _enter(visit, one, "inspection", "glass", answer="seen", at=NOW - timedelta(minutes=5))  # arrived late
    assert standing(visit.entries.all())[EntryKind.INSPECTION, Look.GLASS] == late


def test_between_two_persons_the_graver_finding_stands(crew: tuple[Visit, User, User]) -> None:
    visit, one, other = crew
    grave = _enter(visit, one, "inspection", "glass", answer="urgent", note="Crack", at=NOW - timedelta(hours=1))
    _enter(visit, other, "inspection", "glass", answer="ok", at=NOW)
    assert standing(visit.entries.all())[EntryKind.INSPECTION, Look.GLASS] == grave
    assert findings(visit.entries.all()) == [grave]


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"kind": "dance"}, "not known here"),
        ({"item": "window"}, "not on the list"),
        ({"kind": "inspection", "item": "glass", "answer": "maybe"}, "Choose one of: OK, Seen, Urgent"),
        ({"kind": "inspection", "item": "glass", "answer": "urgent"}, "needs a note"),
        ({"item": "water", "water_ppm": 9000}, "ppm"),
        ({"item": "soak", "soak_minutes": 700}, "minutes"),
        ({"kind": "few_photos"}, "why"),
        ({"kind": "sign_off", "answer": "signed"}, "name of the customer"),
    ],
)
def test_what_cannot_be_right_gets_a_sentence(
    crew: tuple[Visit, User, User], fields: dict[str, Any], sentence: str
) -> None:
    visit, one, _ = crew
    with pytest.raises(ValidationError, match=sentence):
        _enter(visit, one, **fields)
    assert visit.entries.count() == 0


def test_a_visit_without_photos_is_not_finished_until_a_reason_is_given(crew: tuple[Visit, User, User]) -> None:
    visit, one, _ = crew
    with pytest.raises(ValidationError, match="0 of 2 photos before the wash"):
        _enter(visit, one, "finish")
    _enter(visit, one, "few_photos", note="Phone fell into the gutter")
    _enter(visit, one, "finish", at=NOW - timedelta(hours=3))
    visit.refresh_from_db()
    assert visit.state == VisitState.DONE
    assert visit.finished_at == NOW - timedelta(hours=3), "when it was finished, not when it arrived"


def test_a_finish_by_a_clock_that_is_wrong_is_dated_to_its_arrival(crew: tuple[Visit, User, User]) -> None:
    visit, one, _ = crew
    _enter(visit, one, "few_photos", note="none")
    _enter(visit, one, "finish", at=NOW + timedelta(days=400))
    visit.refresh_from_db()
    assert visit.finished_at == NOW


def test_findings_become_work_to_refer_as_they_come_in(crew: tuple[Visit, User, User]) -> None:
    visit, one, _ = crew
    # A burnt connector stops the work: this visit may never be finished.
    _enter(visit, one, "inspection", "cables", answer="urgent", note="Burnt")
    _enter(visit, one, "inspection", "debris", answer="seen")
    _enter(visit, one, "inspection", "glass", answer="ok")
    assert list(visit.referrals.values_list("item", flat=True)) == ["cables"], "leaves are ours to clear"
    cancel_visit(visit=visit, reason="Stopped", now=NOW)
    # the other phone had waited for a signal
    _enter(visit, one, "inspection", "roof", answer="seen", note="Cracked tile")
    assert set(visit.referrals.open().values_list("item", flat=True)) == {"cables", "roof"}


def test_a_finding_taken_back_is_no_work_and_one_raised_again_is(crew: tuple[Visit, User, User]) -> None:
    visit, one, _ = crew
    for minute, answer in enumerate(("urgent", "ok", "urgent")):
        at = NOW - timedelta(minutes=9 - minute)
        _enter(visit, one, "inspection", "roof", answer=answer, note="Cracked tile", at=at)
        assert visit.referrals.open().exists() == (answer == "urgent")


def test_what_turns_out_urgent_after_it_was_passed_on_is_work_again(crew: tuple[Visit, User, User]) -> None:
    visit, one, other = crew
    _enter(visit, one, "inspection", "cables", answer="seen", note="A clip is gone")
    close_referral(referral=visit.referrals.get(), outcome="Told the customer", now=NOW)
    _enter(visit, one, "inspection", "cables", answer="seen", note="Two clips are gone", at=NOW + timedelta(minutes=1))
    assert not visit.referrals.open().exists(), "the same again is no news"
    _enter(visit, other, "inspection", "cables", answer="urgent", note="The connector is burnt")
    assert visit.referrals.open().get().entry.note == "The connector is burnt"


def test_a_visit_taken_back_keeps_what_was_seen(crew: tuple[Visit, User, User]) -> None:
    visit, one, _ = crew
    _enter(visit, one, "inspection", "cables", answer="urgent", note="Burnt")
    finish_visit(visit=visit, now=NOW)
    reopen_visit(visit=visit, now=NOW)
    assert visit.referrals.open().get().item == "cables"


def test_a_referral_is_closed_with_a_word_on_what_came_of_it(crew: tuple[Visit, User, User]) -> None:
    visit, one, _ = crew
    _enter(visit, one, "inspection", "cables", answer="urgent", note="Burnt")
    finish_visit(visit=visit, now=NOW)
    _enter(visit, one, "inspection", "frame", answer="seen")
    referral = visit.referrals.get(item="cables")
    with pytest.raises(ValidationError, match="who was told"):
        close_referral(referral=referral, outcome=" ", now=NOW)
    close_referral(referral=referral, outcome="Electrician called", now=NOW)
    assert list(visit.referrals.open().values_list("item", flat=True)) == ["frame"]


def test_what_is_missing_is_said(crew: tuple[Visit, User, User]) -> None:
    visit, one, _ = crew
    _enter(visit, one, "step", "tap")
    said = " ".join(missing_from(visit, visit.entries.all()))
    assert "0 of 2 photos after the wash" in said
    assert "filter and water quality" in said
    assert "tap and hose" not in said
    assert "not at home" in said


@pytest.mark.django_db(transaction=True)
def test_an_entry_and_a_photo_sent_many_times_at_once_are_kept_once(var: Path) -> None:
    visit = factories.visit()
    by = factories.member(visit.site.customer.business, Role.TECHNICIAN)
    entry_id, photo_id = uuid4(), uuid4()
    packed = io.BytesIO()
    Image.new("RGB", (64, 48)).save(packed, "JPEG")
    before = {path.name for path in var.rglob("*")}

    def send(number: int) -> int:
        try:
            if number % 2:
                return _enter(visit, by, client_id=entry_id).pk
            return keep_photo(
                visit=visit,
                client_id=photo_id,
                data=packed.getvalue(),
                filename="a.jpg",
                phase="before",
                at=NOW,
                by=by,
                now=NOW,
            ).pk
        finally:
            connection.close()

    with ThreadPoolExecutor(8) as phones:
        kept = list(phones.map(send, range(16)))
    assert len(set(kept[1::2])) == 1
    assert len(set(kept[0::2])) == 1
    assert (visit.entries.count(), visit.photos.count()) == (1, 1)
    photo = visit.photos.get()
    for file in (photo.original, photo.shown, photo.small):
        assert file.name is not None
        folder = Path(file.path).parent
        left = [path for path in folder.iterdir() if path.name not in before]
        assert len(left) == 1, "the files of the photos that came second are taken away"


def test_a_signature_is_strokes_and_nothing_else(crew: tuple[Visit, User, User]) -> None:
    visit, one, _ = crew
    strokes = "M60 100L300 50L540 100M10 10L20 20"
    assert _enter(visit, one, "sign_off", "", answer="signed", note="Ida", signature=strokes).signature == strokes
    for other in ("M60 100", "hello", '"/><script>', "M1 1L2000 2", "M1 1" + "L2 2" * 10_000):
        with pytest.raises(ValidationError, match="signature cannot be read"):
            _enter(visit, one, "sign_off", "", answer="signed", note="Ida", signature=other)
    with pytest.raises(ValidationError, match="signature cannot be read"):
        _enter(visit, one, "step", "tap", signature=strokes)


def test_the_time_there_is_from_the_first_to_arrive_to_the_last_to_leave(crew: tuple[Visit, User, User]) -> None:
    visit, one, other = crew
    for minutes, who, kind in ((0, one, "arrived"), (9, other, "arrived"), (70, other, "left"), (64, one, "left")):
        at = NOW - timedelta(minutes=90 - minutes)
        _enter(visit, who, kind, "", at=at)
    first, last = times_there(visit.entries.all())
    assert (first, last) == (NOW - timedelta(minutes=90), NOW - timedelta(minutes=20))


def test_a_phone_at_the_door_says_where_a_roof_is_and_moves_none_that_is_known() -> None:
    site = factories.site(latitude=None, longitude=None)
    visit = factories.visit(site=site)
    by = factories.member(site.customer.business, Role.TECHNICIAN)
    with pytest.raises(ValidationError, match="did not say where it is"):
        _enter(visit, by, "place", "", note="somewhere")
    _enter(visit, by, "place", "", note="39.74200, -105.17270")
    _enter(visit, by, "place", "", note="1.0, 1.0")
    site.refresh_from_db()
    assert site.place == (39.742, -105.1727)
