"""What browsers fetch is made once, of the right version, and the font has our letters."""

import re
from io import BytesIO
from pathlib import Path
from typing import Any

import plotly
import pytest
from django.conf import settings
from django.contrib.staticfiles.storage import staticfiles_storage
from django.core.management import call_command
from django.core.management.base import CommandError
from django.template.loader import render_to_string
from fontTools.ttLib import TTFont

from portal.management.appearance import make_appearance, sprite
from portal.management.commands.prepare_assets import BASIC_VERSION, plotly_rules, take_plotly
from portal.views.frame import PLACE_ICONS

OURS_ALONE = ["django.contrib.staticfiles.finders.FileSystemFinder"]
"""Without the pages of Django's own admin, whose files take seconds to compress."""


def test_without_a_network_the_wheels_own_plotly_serves_and_that_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NPM_CONFIG_REGISTRY", "http://127.0.0.1:9/")  # the discard port: nobody listens
    assert "could not be fetched" in take_plotly(tmp_path)
    whole = (tmp_path / "plotly.min.js").read_text("utf-8")
    assert "plotly.js v" in whole[:200]
    made = (tmp_path / "plotly.min.js").stat().st_mtime_ns
    assert "could not be fetched" in take_plotly(tmp_path), "each set-up tries again"
    assert (tmp_path / "plotly.min.js").stat().st_mtime_ns == made


def test_the_small_plotly_is_of_the_version_whose_schema_the_figures_are_checked_by() -> None:
    """A figure that the wheel accepts must be one that the browser's plotly draws."""
    wheel = Path(plotly.__file__).parent / "package_data" / "plotly.min.js"
    with wheel.open(encoding="utf-8") as file:
        assert f"plotly.js v{BASIC_VERSION}\n" in file.read(200)


def test_a_plotly_that_keeps_its_rules_elsewhere_is_told_not_guessed() -> None:
    with pytest.raises(CommandError, match="keeps its style rules elsewhere"):
        plotly_rules('var rules={"X":"margin:0"}')


def test_assets_are_compressed_once_and_again_when_a_file_changes(settings: Any, tmp_path: Path, var: Path) -> None:
    settings.STORAGES = settings.STORAGES | {"staticfiles": {"BACKEND": "portal.apps.StaticFiles"}}
    settings.STATIC_ROOT = tmp_path / "collected"
    settings.STATICFILES_DIRS = [tmp_path / "ours"]
    settings.STATICFILES_FINDERS = OURS_ALONE
    (tmp_path / "ours").mkdir()
    style = tmp_path / "ours" / "house.css"
    style.write_text("p {margin: 0}\n" * 100)
    call_command("prepare_assets")
    first = staticfiles_storage.url("house.css")
    name = first.rsplit("/", 1)[1]
    assert {f"{name}.br", f"{name}.gz"} <= {path.name for path in settings.STATIC_ROOT.iterdir()}

    made = (settings.STATIC_ROOT / "staticfiles.json").stat().st_mtime_ns
    call_command("prepare_assets")
    assert (settings.STATIC_ROOT / "staticfiles.json").stat().st_mtime_ns == made, "nothing was done"

    style.write_text("p {margin: 1px}\n" * 100)
    call_command("prepare_assets")
    assert (settings.STATIC_ROOT / "staticfiles.json").stat().st_mtime_ns > made
    assert not (settings.STATIC_ROOT / name).exists(), "what nobody links to is not kept"


def test_the_scripts_of_a_visit_import_each_other_by_the_names_that_the_page_gives(
    settings: Any, tmp_path: Path, var: Path
) -> None:
    """Two names for one module would be two modules, and a phone without a signal has only what the page names."""
    settings.STORAGES = settings.STORAGES | {"staticfiles": {"BACKEND": "portal.apps.StaticFiles"}}
    settings.STATIC_ROOT = tmp_path / "collected"
    settings.STATICFILES_DIRS = [settings.ROOT / "portal" / "static"]
    settings.STATICFILES_FINDERS = OURS_ALONE
    call_command("prepare_assets")
    named = {Path(src).name for src in re.findall(r'src="([^"]+)"', render_to_string("visits/scripts.html"))}
    assert {name.split(".")[0] for name in named} >= {"page", "store", "send", "photos"}
    imported = set()
    for name in named:
        script = (settings.STATIC_ROOT / "visit" / name).read_text()
        assert script.count("import {") == len(re.findall(r'^import .* from "\./[\w.]+";$', script, re.M))
        imported |= set(re.findall(r'from "\./([\w.]+)"', script))
    assert imported <= named
    assert all((settings.STATIC_ROOT / "visit" / f"{name}.br").exists() for name in named)


def test_the_font_holds_our_languages_letters_the_figures_of_tables_and_every_weight(tmp_path: Path) -> None:
    make_appearance(tmp_path)
    font = TTFont(BytesIO((tmp_path / "figtree.woff2").read_bytes()))
    assert font.flavor == "woff2"
    said = (settings.ROOT / "portal" / "locale" / "es" / "LC_MESSAGES" / "django.po").read_text("utf-8")
    letters = {ord(one) for one in said if one.isalpha()} | set(map(ord, "0123456789%€$−–“”…·×°"))
    assert letters <= set(font.getBestCmap())
    assert {feature.FeatureTag for feature in font["GSUB"].table.FeatureList.FeatureRecord} >= {"tnum"}
    (weight,) = font["fvar"].axes
    assert (weight.axisTag, weight.minValue, weight.maxValue) == ("wght", 300, 900)


def test_the_sprite_holds_the_icons_that_pages_ask_for_and_no_others(tmp_path: Path) -> None:
    make_appearance(tmp_path)
    asked = set(PLACE_ICONS.values()) | {"sun"}
    for path in (settings.ROOT / "portal" / "templates").rglob("*.html"):
        asked |= set(re.findall(r'{% icon "([\w-]+)"', path.read_text()))
    assert set(re.findall(r'<symbol id="([\w-]+)"', (tmp_path / "icons.svg").read_text())) == asked
    assert "icon(" not in (tmp_path / "portal.css").read_text()


def test_an_icon_that_the_set_does_not_have_is_told() -> None:
    with pytest.raises(CommandError, match="no icon named roof-of-gold"):
        sprite(("roof-of-gold",))


def test_what_pages_look_like_is_made_once(tmp_path: Path) -> None:
    make_appearance(tmp_path)
    first = {path.name: path.stat().st_mtime_ns for path in tmp_path.iterdir()}
    make_appearance(tmp_path)
    assert {path.name: path.stat().st_mtime_ns for path in tmp_path.iterdir()} == first
