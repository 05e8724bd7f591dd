"""Whatever accent a firm chooses, its pages can be read: against the published figures of OKLCH and WCAG."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from portal.charts.colours import ACCENT, SUN, contrast_of, sheet, to_hex, to_oklch, tones

STYLES = Path(__file__).resolve().parents[2] / "portal" / "static" / "css"
accents = st.integers(0, 0xFFFFFF).map("#{:06x}".format)


@pytest.mark.parametrize(
    ("colour", "lightness", "strength", "hue"),
    [
        # CSS Color Module Level 4, the sample of sRGB colours in OKLCH: "red", "lime", "blue"
        ("#ff0000", 0.62796, 0.25768, 29.234),
        ("#00ff00", 0.86644, 0.29483, 142.495),
        ("#0000ff", 0.45201, 0.31321, 264.052),
    ],
)
def test_lightness_strength_and_hue_are_those_of_the_standard(
    colour: str, lightness: float, strength: float, hue: float
) -> None:
    assert to_oklch(colour) == pytest.approx((lightness, strength, hue), abs=1e-3)
    assert to_hex((lightness, strength, hue)) == colour


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [
        ("#ffffff", "#000000", 21.0),  # WCAG 2.2, definition of contrast ratio: 1 to 21
        ("#777777", "#ffffff", 4.48),  # WebAIM, contrast checker: just fails AA
        ("#767676", "#ffffff", 4.54),  # WebAIM, contrast checker: the lightest grey on white that passes AA
    ],
)
def test_contrast_is_that_of_the_guidelines(one: str, other: str, ratio: float) -> None:
    assert contrast_of(one, other) == pytest.approx(ratio, abs=0.005)


@given(accents)
def test_words_and_edges_stand_out_by_day_and_by_night_whatever_the_accent(accent: str) -> None:
    """4.5 to 1 for words, 3 to 1 for the edges of a field and the ring of the focus: WCAG 2.2, 1.4.3 and 1.4.11."""
    for dark in (False, True):
        found = tones(accent, dark=dark)
        grounds = [found[name] for name in ("ground", "sheet", "tint")]
        for word in ("ink", "soft", "link"):
            assert min(contrast_of(found[word], ground) for ground in grounds) >= 4.5
        for edge in ("rule", "focus"):
            assert min(contrast_of(found[edge], ground) for ground in grounds) >= 3
        assert contrast_of(found["press"], found["on-press"]) >= 4.5
        for state in ("dirt", "clean", "fault", "unknown"):
            assert contrast_of(found[state], found[f"{state}-ground"]) >= 4.5
            assert contrast_of(found[state], found["sheet"]) >= 4.5


def test_a_green_firm_has_green_buttons_and_the_states_keep_their_grounds() -> None:
    house, green = tones(ACCENT), tones("#2e7d32")
    assert to_oklch(green["press"])[2] == pytest.approx(to_oklch("#2e7d32")[2], abs=4)
    assert {name for name in house if house[name] == green[name]} >= {"dirt-ground", "clean-ground", "fault-ground"}


def test_a_grey_firm_has_grey_pages() -> None:
    for name in ("ground", "tint", "link", "press"):
        assert to_oklch(tones("#808080")[name])[1] < 0.002


def test_each_colour_that_the_styles_ask_for_is_made() -> None:
    asked = set().union(*(re.findall(r"var\(--([a-z][\w-]*)\)", path.read_text()) for path in STYLES.glob("*.css")))
    set_here = set().union(*(re.findall(r"--([a-z][\w-]*):", path.read_text()) for path in STYLES.glob("*.css")))
    made = set(re.findall(r"--([a-z][\w-]*):", sheet()))
    assert asked - set_here <= made
    assert made <= asked, "a colour that nothing is drawn in"
    assert contrast_of(SUN, "#1c1503") >= 7
