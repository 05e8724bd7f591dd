"""The link that opens a report without login."""

from __future__ import annotations

from datetime import timedelta
from uuid import uuid4

import pytest
from django.core.files.base import ContentFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from portal.actions.photos import keep_photo
from portal.actions.proof import link_token, share_report
from tests import factories
from tests.views.cast import Cast, jpeg

pytestmark = pytest.mark.django_db


def _token(people: Cast) -> str:
    owner = people.people["owner"]
    assert owner is not None
    return link_token(share_report(visit=people.visit, now=timezone.now()))


def test_a_link_opens_the_report_its_pdf_and_its_photos_without_login(people: Cast) -> None:
    token, client = _token(people), Client()
    page = client.get(reverse("shared_report", args=[token]))
    assert page.status_code == 200
    assert (page["Referrer-Policy"], page["X-Robots-Tag"]) == ("same-origin", "noindex, nofollow")
    assert "no-store" in page["Cache-Control"]
    assert reverse("shared_photo", args=[token, people.photo.pk, "small"]) in page.content.decode()
    assert client.get(reverse("shared_photo", args=[token, people.photo.pk, "small"])).status_code == 200
    pdf = client.get(reverse("shared_report_pdf", args=[token]))
    assert pdf.content.startswith(b"%PDF-")


def test_a_link_shows_the_firms_logo_until_it_is_over(people: Cast) -> None:
    token, client = _token(people), Client()
    logo = reverse("shared_logo", args=[token])
    assert logo not in client.get(reverse("shared_report", args=[token])).content.decode()
    assert client.get(logo).status_code == 404, "there is none yet"
    people.visit.site.customer.business.logo.save("ours.png", ContentFile(b"of the firm"))
    assert f'<img src="{logo}"' in client.get(reverse("shared_report", args=[token])).content.decode()
    answer = client.get(logo)
    assert (answer.content, answer["Content-Type"]) == (b"of the firm", "image/png")
    assert "no-store" in answer["Cache-Control"]
    people.visit.report_links.update(revoked_at=timezone.now())
    assert client.get(logo).status_code == 404


def test_a_link_does_not_open_another_visits_photo_or_a_finding_or_an_original(people: Cast) -> None:
    token, client = _token(people), Client()
    technician = people.people["technician"]
    assert technician is not None
    others = [
        keep_photo(
            visit=visit, client_id=uuid4(), data=jpeg(), filename="b.jpg", phase=phase, item=item,
            at=timezone.now(), by=technician, now=timezone.now(),
        )
        for visit, phase, item in (
            (factories.visit(), "before", ""),
            (people.visit, "finding", "cables"),
        )
    ]  # fmt: skip
    for photo in others:
        assert client.get(reverse("shared_photo", args=[token, photo.pk, "small"])).status_code == 404
    assert client.get(f"/r/{token}/photos/{people.photo.pk}/original/").status_code == 404


def test_a_link_that_is_over_opens_neither_page_nor_pdf_nor_photo(people: Cast) -> None:
    token, client = _token(people), Client()
    addresses = [
        reverse("shared_report", args=[token]),
        reverse("shared_report_pdf", args=[token]),
        reverse("shared_photo", args=[token, people.photo.pk, "small"]),
    ]

    def answers() -> set[int]:
        return {client.get(address).status_code for address in addresses}

    assert answers() == {200}
    people.visit.report_links.update(expires_at=timezone.now())
    assert answers() == {404}, "expired"
    people.visit.report_links.update(expires_at=timezone.now() + timedelta(days=1), revoked_at=timezone.now())
    assert answers() == {404}, "revoked"
    people.visit.report_links.update(revoked_at=None)
    assert answers() == {200}
    people.client("office").post(reverse("visit_reopen", args=[people.visit.pk]))
    assert answers() == {404}, "there is no report of a visit that was not done"


@pytest.mark.parametrize("who", ["owner", "homeowner"])
def test_a_link_is_made_and_revoked_on_the_report(people: Cast, who: str) -> None:
    client = people.client(who)
    client.post(reverse("visit_report_share", args=[people.visit.pk]))
    link = people.visit.report_links.get()
    address = reverse("shared_report", args=[link_token(link)])
    assert address in client.get(reverse("visit_report", args=[people.visit.pk])).content.decode()
    client.post(reverse("visit_report_share", args=[people.visit.pk]), {"revoke": link.pk})
    over = Client().get(address)
    assert over.status_code == 404
    assert "This link is over" in over.content.decode()


def test_a_forged_link_is_refused(people: Cast) -> None:
    token = _token(people)
    forged = token.split(":")[0] + ":" + "A" * len(token.split(":")[1])
    assert Client().get(reverse("shared_report", args=[forged])).status_code == 404
