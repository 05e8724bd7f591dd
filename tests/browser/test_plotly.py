"""The style sheet of plotly that is made at set-up says what plotly itself would have said."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Page

from portal.management.commands.prepare_assets import take_plotly

RULES = "[...document.getElementById('{}').sheet.cssRules].map(rule => rule.cssText)"


def test_the_sheet_made_at_set_up_holds_the_rules_which_plotly_adds_to_a_page_in_the_same_order(
    page: Page, tmp_path: Path
) -> None:
    """Plotly itself, in a page without a security policy, is what ours is compared with."""
    take_plotly(tmp_path)
    page.add_script_tag(path=tmp_path / "plotly.min.js")
    its_own = page.evaluate(RULES.format("plotly.js-style-global"))
    page.evaluate(
        "css => { const ours = document.createElement('style'); ours.id = 'ours'; ours.textContent = css;"
        " document.head.append(ours); }",
        (tmp_path / "plotly.css").read_text(),
    )
    assert len(its_own) > 50
    assert page.evaluate(RULES.format("ours")) == its_own
