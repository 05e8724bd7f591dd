"""The report as a PDF: the page's words, for every reader of it, whatever somebody typed."""

from __future__ import annotations

import html
import io
import re
import subprocess
import sys
from datetime import timedelta
from typing import Any, cast

import psutil
import pytest
from django.conf import settings
from django.core.files.base import ContentFile
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from PIL import Image
from pypdf import PdfReader
from pypdf.generic import ContentStream, DictionaryObject

from portal.management.appearance import make_paper_fonts
from portal.models import Proof
from portal.views import printed
from portal.views.proof import report_of
from tests.views.cast import Cast, jpeg

CHART = (
    b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 720 320"><text x="9" y="50" font-size="13">Oct</text></svg>'
)
MM = 72 / 25.4
"""Points of a millimetre: PDF 1.7 (ISO 32000-1), 8.3.2.3."""
EVERY_ALPHABET = "Żółć Ångström Ωμέγα Привет ĐẶNG हिन्दी"
FALLING_BACK = "שלום مرحبا հայերեն ქართული"


def _page(body: str, title: str = "A report") -> str:
    return f'<!doctype html><html lang="en"><head><title>{title}</title></head><body>{body}</body></html>'


@pytest.fixture(autouse=True, scope="module")
def _set_up() -> None:
    """As a portal is when it starts."""
    make_paper_fonts(settings.VAR / "fonts")
    printed._fonts.cache_clear()


def _read(written: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(written))


def _letters(text: str) -> str:
    """Without blanks, which a PDF has no need of."""
    return re.sub(r"\s+", "", text)


def _text(written: bytes) -> str:
    return _letters("".join(page.extract_text() for page in _read(written).pages))


@pytest.mark.django_db
def test_the_pdf_says_what_the_page_says_on_two_pages_at_most(people: Cast) -> None:
    day = timezone.now().date()
    Proof.objects.create(
        visit=people.visit, as_of=day, updated_at=timezone.now(), state="settled", clear_days_before=9,
        clear_days_after=8, gain=0.08, gain_low=0.07, gain_high=0.1, kwh=54.0, kwh_low=45.0, kwh_high=62.0,
        counted_to=day, kwh_by_due=300.0, kwh_by_due_low=200.0, kwh_by_due_high=400.0, due_on=day + timedelta(90),
    )  # fmt: skip
    owner = people.client("owner")
    answer = owner.get(reverse("visit_report_pdf", args=[people.visit.pk]))
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/pdf")
    body = render_to_string("proof/body.html", {"report": report_of(people.visit, lambda photo, size: "")})
    said = [_letters(html.unescape(part)) for part in re.split(r"<[^>]+>", body)]
    written = answer.content
    text = _text(written)
    assert [part for part in said if part not in text] == []
    assert sum(map(bool, said)) > 20
    reader = _read(written)
    assert len(reader.pages) <= 2
    assert sum(len(page.images) for page in reader.pages) == people.visit.photos.count() == 1


def test_it_has_a_title_a_language_tags_and_words_for_its_pictures() -> None:
    body = (
        '<h1>Gain</h1><div class="pair"><figure><img src="a.jpg" alt="Before"><figcaption>B</figcaption></figure></div>'
    )
    spanish = _page(body, "What the wash gained: Żółć").replace(
        'lang="en"', 'lang="es"'
    )  # English is typst's own default
    reader = _read(printed.pdf(spanish, {"a.jpg": jpeg()}))
    root = cast(DictionaryObject, reader.trailer["/Root"])
    assert reader.metadata is not None
    assert reader.metadata.title == "What the wash gained: Żółć"
    assert str(root["/Lang"]) == "es"
    # PDF 1.7 (ISO 32000-1), 14.7 and 14.8: a tagged file is marked and has a structure tree.
    assert cast(DictionaryObject, root["/MarkInfo"])["/Marked"]
    kinds: dict[str, Any] = {}

    def walk(node: Any) -> None:
        node = node.get_object() if hasattr(node, "get_object") else node
        if isinstance(node, list):
            for one in node:
                walk(one)
        elif isinstance(node, dict) and node.get("/S", node.get("/Type")):
            kinds.setdefault(str(node.get("/S")), node.get("/Alt"))
            walk(node.get("/K", []))

    walk(root["/StructTreeRoot"])
    assert {"/H1", "/Figure", "/Caption"} <= set(kinds)
    assert kinds["/Figure"] == "Before"


@pytest.mark.django_db
def test_the_firms_logo_heads_the_pdf(people: Cast) -> None:
    visit, owner = people.visit, people.client("owner")
    address = reverse("visit_report_pdf", args=[visit.pk])
    without = [image.data for page in _read(owner.get(address).content).pages for image in page.images]
    drawn = io.BytesIO()
    Image.linear_gradient("L").resize((60, 20)).convert("RGBA").save(drawn, "PNG")
    visit.site.customer.business.logo.save("ours.png", ContentFile(drawn.getvalue()))
    head, *rest = [image for page in _read(owner.get(address).content).pages for image in page.images]
    assert head.image is not None
    assert head.image.size == (60, 20)
    assert [image.data for image in rest] == without


@pytest.mark.parametrize(
    ("size", "width_mm", "height_mm"), [((600, 200), 42, 14), ((600, 20), 60, 2), ((50, 200), 3.5, 14)]
)
def test_a_logo_keeps_its_shape_and_leaves_the_page_its_room(
    size: tuple[int, int], width_mm: float, height_mm: float
) -> None:
    drawn = io.BytesIO()
    Image.new("RGBA", size, "#224466").save(drawn, "PNG")
    body = '<p class="logo"><img src="logo.png" alt="Ours"></p><h1>Gain</h1>'
    page = _read(printed.pdf(_page(body), {"logo.png": drawn.getvalue()})).pages[0]
    placed = [
        operands for operands, operator in ContentStream(page.get_contents(), page.pdf).operations if operator == b"cm"
    ]
    assert [width_mm, height_mm] in [
        [pytest.approx(abs(float(matrix[0])) / MM, abs=0.1), pytest.approx(abs(float(matrix[3])) / MM, abs=0.1)]
        for matrix in placed
    ]


def test_latin_words_are_set_in_the_pages_own_font_alone() -> None:
    body = "<h1>Gain</h1><p>Words, <b>8 %</b> and a sum of 12.50</p><dl><div><dt>Back</dt><dd>9</dd></div></dl>"
    fonts = _fonts(_read(printed.pdf(_page(body), {})))
    assert {name.split("+")[1].split("-")[0] for name in fonts} == {"Figtree"}


def test_letters_outside_latin_1_are_drawn_from_fonts_inside_the_file() -> None:
    written = printed.pdf(_page(f"<p>{EVERY_ALPHABET} {FALLING_BACK}</p>"), {})
    fonts = _fonts(_read(written))
    assert {name.split("+")[1].split("-")[0] for name in fonts} >= {"NotoSans", "NotoSansArabic"}
    assert all(fonts.values()), "each carries its letters along"
    text = _text(written)
    for word in EVERY_ALPHABET.split()[:-1]:
        assert word in text
    assert "\ufffd" not in text
    assert "\0" not in text


def _fonts(reader: PdfReader) -> dict[str, bool]:
    """Each font of a file, and whether it is embedded."""
    found = {}
    for page in reader.pages:
        resources = cast(DictionaryObject, page["/Resources"])
        for font in cast(DictionaryObject, resources["/Font"]).values():
            inner = font.get_object()["/DescendantFonts"][0].get_object()
            descriptor = inner["/FontDescriptor"].get_object()
            found[str(inner["/BaseFont"])] = any(f"/FontFile{number}" in descriptor for number in ("", "2", "3"))
    return found


@pytest.mark.parametrize(
    "typed",
    [
        '#read("/etc/passwd") *b* _i_ $x$ `c` \\ // no comment',
        "]#panic()[",
        "<script>alert(1)</script> & &amp;",
        "@reference <label> ~ --- '' \"",
    ],
)
def test_what_somebody_typed_is_words_and_never_markup(typed: str) -> None:
    text = _text(printed.pdf(_page(f"<p>{html.escape(typed)}</p>"), {}))
    assert _letters(typed) in text


def test_a_note_with_control_characters_is_printed_all_the_same() -> None:
    assert "beforeafter" in _text(printed.pdf(_page("<p>before\x0b\x0c\x1b\ufffeafter</p>"), {}))


def test_a_picture_that_was_not_handed_over_is_not_looked_for(tmp_path: Any) -> None:
    secret = tmp_path / "secret.jpg"
    secret.write_bytes(jpeg())
    for address in (str(secret), "../" * 12 + str(secret)[1:], f"file://{secret}", "http://localhost/a.jpg"):
        with pytest.raises(RuntimeError):
            printed.pdf(_page(f'<figure><img src="{address}" alt="x"></figure>'), {})


def test_a_long_report_breaks_between_its_parts_and_counts_its_pages() -> None:
    notes = "".join(f"<li><b>Finding {number}.</b> {'A long note. ' * 30}</li>" for number in range(20))
    photos = "".join(
        f'<div class="pair"><figure><img src="{name}.jpg" alt="{name}"><figcaption>{name}</figcaption></figure></div>'
        for name in ("wide", "tall")
    )
    pictures = {"wide.jpg": _photo(1600, 400), "tall.jpg": _photo(400, 1600), "chart.svg": CHART}
    body = f'<section class="panel"><h2>Seen</h2><ul class="plain">{notes}</ul></section>{photos}'
    body += '<div class="chart"><img src="chart.svg" alt="Chart"><p>Sum</p></div>'
    pages = [page.extract_text() for page in _read(printed.pdf(_page(body), pictures)).pages]
    assert len(pages) > 2
    for number, text in enumerate(pages, 1):
        assert f"{number} / {len(pages)}" in text
    for number in range(20):
        (on,) = [text for text in pages if f"Finding {number}." in text]
        after = _letters(on.split(f"Finding {number}.")[1])
        assert after.startswith(_letters("A long note. " * 30)), "a note stays on one page"


def _photo(width: int, height: int) -> bytes:
    packed = io.BytesIO()
    Image.effect_noise((width, height), 80).convert("RGB").save(packed, "JPEG")
    return packed.getvalue()


FIRST = """
import time
start = time.process_time()
from portal.views import printed
before = time.process_time()
printed.pdf('<html lang="en"><head><title>x</title></head><body><p>x</p></body></html>', {})
print(time.process_time() - before)
"""


def test_the_first_report_of_a_process_takes_less_than_a_second() -> None:
    # The processor's time, so that a busy machine does not decide it.
    done = subprocess.run(
        [sys.executable, "-c", FIRST], cwd=settings.ROOT, capture_output=True, text=True, check=True,
        env={"DJANGO_SETTINGS_MODULE": "portal.settings", "PATH": ""},
    )  # fmt: skip
    assert float(done.stdout) < 1


def test_the_memory_of_a_process_that_makes_many_reports_is_bounded() -> None:
    def make(count: int) -> float:
        for number in range(count):
            body = f'<p>{number}</p><figure><img src="a.jpg" alt="a"><figcaption>{number}</figcaption></figure>'
            printed.pdf(_page(body), {"a.jpg": photos[number % 2] + bytes(number)})
        return psutil.Process().memory_info().rss / 2**20

    photos = [_photo(1600, 1200), _photo(1200, 1600)]
    settled = make(30)
    assert make(90) - settled < len(photos[0]) * 90 / 2**20 / 2, "half of what keeping each photo would take"
