"""The API: what a token opens, what it does not, and what scripts get told."""

from __future__ import annotations

import json
from datetime import date, timedelta
from html import unescape
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.actions.imports.waiting import work_on_import
from portal.actions.tokens import make_token, revoke_token, use_token
from portal.actions.uploads import FILES_A_DAY
from portal.models import CameBy, Import, Meter, Role, Token, User
from tests import factories
from tests.actions.exports import csv_text, days_rows, take_in
from tests.factories import NOW

pytestmark = pytest.mark.django_db

FIRST = date(2026, 5, 4)


@pytest.fixture
def meter() -> Meter:
    return factories.meter()


@pytest.fixture
def owner(meter: Meter) -> User:
    return factories.member(meter.site.customer.business, Role.OWNER)


@pytest.fixture
def secret(meter: Meter, owner: User) -> str:
    return make_token(name="nightly", created_by=owner, now=timezone.now(), business=meter.site.customer.business)[1]


class Script:
    """Calls as a script makes them, with a token or without."""

    def __init__(self, secret: str = "") -> None:
        self.client = Client(enforce_csrf_checks=True)
        self.headers = {"Authorization": f"Bearer {secret}"} if secret else {}

    def get(self, path: str) -> tuple[int, Any]:
        answer = self.client.get(path, headers=self.headers)
        return answer.status_code, json.loads(answer.content)

    def post(self, path: str, *, file: bytes | None = None) -> tuple[int, Any]:
        data = {"file": SimpleUploadedFile("night.csv", file)} if file is not None else {}
        answer = self.client.post(path, data, headers=self.headers)
        return answer.status_code, json.loads(answer.content)


def test_a_script_finds_its_meter_sends_a_file_and_reads_the_ledger(meter: Meter, owner: User, secret: str) -> None:
    script = Script(secret)
    status, sites = script.get("/api/sites")
    assert (status, [one["id"] for one in sites[0]["meters"]]) == (200, [meter.pk])
    status, sent = script.post(f"/api/meters/{meter.pk}/imports", file=csv_text(days_rows(FIRST, 2)).encode())
    assert (status, sent["state"], sent["filename"]) == (202, "pending", "night.csv")
    import_ = Import.objects.get(pk=sent["id"])
    assert (import_.came_by, import_.uploaded_by) == (CameBy.API, owner)
    assert import_.token is not None
    work_on_import(import_id=import_.pk, now=NOW)
    status, ledger = script.get(f"/api/imports/{sent['id']}")
    assert (status, ledger["state"], ledger["readings_new"], ledger["rejected"]) == (200, "done", 48, [])
    status, listed = script.get(f"/api/imports?meter_id={meter.pk}")
    assert (status, [one["id"] for one in listed]) == (200, [sent["id"]])
    status, undone = script.post(f"/api/imports/{sent['id']}/undo")
    assert (status, undone["state"]) == (202, "undoing")
    status, again = script.post(f"/api/imports/{sent['id']}/undo")
    assert (status, again["detail"]) == (409, "Only a file that was read can be undone.")


def test_without_a_token_or_with_a_wrong_one_nothing_opens(meter: Meter) -> None:
    for script in (Script(), Script("guessed")):
        for path in ("/api/sites", "/api/imports", f"/api/sites/{meter.site_id}/assessment"):
            assert script.get(path)[0] == 401
        assert script.post(f"/api/meters/{meter.pk}/imports", file=b"x")[0] == 401
    assert not Import.objects.exists()


def test_a_revoked_token_opens_nothing(secret: str) -> None:
    assert Script(secret).get("/api/sites")[0] == 200
    revoke_token(token=Token.objects.get(), by=None, now=NOW)
    assert Script(secret).get("/api/sites")[0] == 401


def test_only_the_hash_of_a_token_is_kept(secret: str) -> None:
    token = Token.objects.get()
    kept = " ".join(str(value) for value in Token.objects.values().get().values())
    assert secret not in kept
    assert token.hashed != secret
    assert len(secret) >= 43  # 256 bits in base64
    assert use_token(secret=token.hashed, now=NOW) is None


def test_a_token_of_a_site_opens_that_site_alone(meter: Meter, owner: User) -> None:
    neighbour = factories.meter(site=factories.site(customer=factories.customer(business=meter.site.customer.business)))
    _, secret = make_token(name="logger", created_by=owner, now=timezone.now(), site=meter.site)
    script = Script(secret)
    assert [one["id"] for one in script.get("/api/sites")[1]] == [meter.site_id]
    status, told = script.post(f"/api/meters/{neighbour.pk}/imports", file=b"x")
    assert (status, "opens no such thing" in told["detail"]) == (404, True)
    theirs = take_in(neighbour, csv_text(days_rows(FIRST, 1)))
    assert script.get(f"/api/imports/{theirs.pk}")[0] == 404
    assert script.get("/api/imports")[1] == []
    assert script.get(f"/api/sites/{neighbour.site_id}/assessment")[0] == 404


def test_a_token_of_a_business_opens_no_other_business(secret: str) -> None:
    foreign = factories.meter()
    script = Script(secret)
    assert foreign.site_id not in [one["id"] for one in script.get("/api/sites")[1]]
    assert script.post(f"/api/meters/{foreign.pk}/imports", file=b"x")[0] == 404


def test_a_token_dies_with_its_makers_rights(meter: Meter, owner: User, secret: str) -> None:
    owner.memberships.all().delete()
    assert Script(secret).get("/api/sites") == (200, [])
    assert Script(secret).post(f"/api/meters/{meter.pk}/imports", file=b"x")[0] == 404
    owner.is_active = False
    owner.save()
    assert Script(secret).get("/api/sites")[0] == 401


def test_too_many_calls_are_told_to_wait(secret: str) -> None:
    script = Script(secret)
    for _ in range(120):
        assert script.get("/api/sites")[0] == 200
    answer = script.client.get("/api/sites", headers=script.headers)
    assert answer.status_code == 429
    assert 0 < int(answer["Retry-After"]) <= 60


def test_the_assessment_is_read_in_fractions(meter: Meter, secret: str) -> None:
    script = Script(secret)
    path = f"/api/sites/{meter.site_id}/assessment"
    status, told = script.get(path)
    assert (status, "not been assessed yet" in told["detail"]) == (404, True)
    factories.assessment(site=meter.site, present_loss=0.081)
    status, said = script.get(path)
    assert (status, said["state"], said["loss"]) == (200, "dirty", {"low": 0.06, "middle": 0.081, "high": 0.1})


def test_an_incomplete_call_is_told_what_it_lacks(meter: Meter, secret: str) -> None:
    status, told = Script(secret).post(f"/api/meters/{meter.pk}/imports")
    assert (status, "file" in told["detail"]) == (422, True)
    status, told = Script(secret).post("/api/meters/first/imports", file=b"x")
    assert status == 422


def test_a_file_that_is_too_large_is_refused_in_words(meter: Meter, secret: str, settings: Any) -> None:
    settings.LARGEST_UPLOAD = 2**20
    status, told = Script(secret).post(f"/api/meters/{meter.pk}/imports", file=b"," * (2 * 2**20))
    assert status == 413
    assert "“night.csv” is larger than 1 MB" in told["detail"]
    assert not Import.objects.exists()


def test_a_script_that_runs_wild_is_told_to_stop(meter: Meter, secret: str) -> None:
    Import.objects.bulk_create(
        Import(meter=meter, uploaded_at=timezone.now(), filename="night.csv", sha256="-", original="night.csv")
        for _ in range(FILES_A_DAY)
    )
    status, told = Script(secret).post(f"/api/meters/{meter.pk}/imports", file=b"x")
    assert status == 429
    assert "send the rest tomorrow" in told["detail"]


def test_the_same_file_sent_twice_doubles_nothing(meter: Meter, secret: str) -> None:
    text = csv_text(days_rows(FIRST, 2)).encode()
    keys = [Script(secret).post(f"/api/meters/{meter.pk}/imports", file=text)[1]["id"] for _ in range(2)]
    for key in keys:
        work_on_import(import_id=key, now=NOW)
    ledgers = [Script(secret).get(f"/api/imports/{key}")[1] for key in keys]
    assert [one["readings_new"] for one in ledgers] == [48, 0]
    assert [one["readings_unchanged"] for one in ledgers] == [0, 48]


def test_the_page_of_the_api_names_every_call_and_loads_nothing_from_elsewhere() -> None:
    description = json.loads(Client().get("/api/openapi.json").content)
    assert description["openapi"].startswith("3.")
    page = Client().get(reverse("api_page"))
    html = unescape(page.content.decode())
    for path, methods in description["paths"].items():
        assert path in html
        for call in methods.values():
            assert call["summary"] in html
    assert "http://" not in html.replace("http://testserver", "")
    assert "https://" not in html
    assert "unsafe" not in page.headers["Content-Security-Policy"]


# ---- the page of tokens ----


def page_of(user: User) -> Client:
    client = Client()
    client.force_login(user)
    return client


def asked(meter: Meter, name: str) -> dict[str, object]:
    return {"name": name, "opens": f"site {meter.site_id}", "scope": "both", "days": 30}


def test_a_token_is_shown_once(meter: Meter, owner: User) -> None:
    client = page_of(owner)
    answer = client.post(reverse("tokens"), asked(meter, "office computer"))
    secret = answer.context["secret"]
    assert secret in answer.content.decode()
    assert "no-store" in answer["Cache-Control"]
    assert Script(secret).get("/api/sites")[0] == 200
    again = client.get(reverse("tokens")).content.decode()
    assert secret not in again
    assert f"…{secret[-4:]}" in again


def test_a_homeowner_makes_tokens_for_own_roofs_only(meter: Meter) -> None:
    person = factories.user()
    meter.site.customer.user = person
    meter.site.customer.save()
    client = page_of(person)
    firm = meter.site.customer.business
    for opens in (f"business {firm.pk}", f"site {factories.site().pk}"):
        assert client.post(reverse("tokens"), {"name": "x", "opens": opens}).context["secret"] == ""
    assert client.post(reverse("tokens"), asked(meter, "x")).context["secret"]
    assert Token.objects.get().site == meter.site


def test_a_token_is_revoked_by_its_own_people(meter: Meter, owner: User, secret: str) -> None:
    token = Token.objects.get()
    url = reverse("token_revoke", args=[token.pk])
    stranger = factories.member(factories.business(), Role.OWNER)
    assert page_of(stranger).post(url).status_code == 404
    assert page_of(owner).get(url).status_code == 405
    assert page_of(owner).post(url).status_code == 302
    token.refresh_from_db()
    first = token.revoked_at
    revoke_token(token=token, by=None, now=NOW + timedelta(days=1))
    token.refresh_from_db()
    assert token.revoked_at == first
    assert Script(secret).get("/api/sites")[0] == 401


def test_the_office_sees_tokens_of_its_sites_and_a_homeowner_only_the_own_ones(meter: Meter, owner: User) -> None:
    person = factories.user()
    meter.site.customer.user = person
    meter.site.customer.save()
    theirs, _ = make_token(name="logger", created_by=person, now=timezone.now(), site=meter.site)
    firms, _ = make_token(name="firm", created_by=owner, now=timezone.now(), site=meter.site)
    assert set(Token.objects.visible_to(owner)) == {theirs, firms}
    assert set(Token.objects.visible_to(person)) == {theirs}


@pytest.mark.parametrize("query", ["offset", "meter_id"])
def test_a_number_beyond_all_counting_is_told_not_tripped_over(secret: str, query: str) -> None:
    status, said = Script(secret).get(f"/api/imports?{query}=99999999999999999999999")
    assert status == 422
    assert query in said["detail"]


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("multipart/form-data", b"x"),
        ("multipart/form-data; boundary=x", b'--x\r\nContent-Disposition: form-data; name="a"\r\n\r\n\0\r\n--x--\r\n'),
    ],
)
def test_what_is_no_request_is_answered_as_the_description_says(kind: str, body: bytes) -> None:
    answer = Client().generic("POST", "/api/imports/1/undo", body, content_type=kind)
    assert (answer.status_code, answer["Content-Type"]) == (400, "application/json")
    assert list(answer.json()) == ["detail"]
