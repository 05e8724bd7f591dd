"""What is written down holds neither a key nor a person."""

from __future__ import annotations

import json
import logging
import re
import sys

import pytest
from django.urls import URLPattern, URLResolver, get_resolver

from portal.actions.logs import JsonLines, redacted

KEY = "Zx81-kQ_unlikely"


@pytest.mark.parametrize(
    ("said", "kept"),
    [
        ("Not Found: /customers/?q=Ada+Lovelace", "Not Found: /customers/?…"),
        ("could not write to ada@homes.test, twice", "could not write to …@…, twice"),
        ("Authorization: Bearer Zx81kQabcdefgh", "Authorization: Bearer …"),
        ("Cannot connect to redis://:hunter22@127.0.0.1:6379/0.", "Cannot connect to redis://…@127.0.0.1:6379/0."),
        ("Invalid request from ip=198.51.100.7: x", "Invalid request from ip=…: x"),
        ("Listening at: http://127.0.0.1:8000 (12)", "Listening at: http://127.0.0.1:8000 (12)"),
        ("duplicate key\nDETAIL:  Key (name)=(Ada) already exists.", "duplicate key\nDETAIL:  …"),
    ],
)
def test_keys_and_people_are_left_out_and_the_rest_stays(said: str, kept: str) -> None:
    assert redacted(said) == kept


def paths(patterns: list[URLPattern | URLResolver], before: str = "") -> list[str]:
    """Every route as a path with the key in each place that takes any letters."""
    found = []
    for one in patterns:
        route = before + str(one.pattern).lstrip("^").rstrip("$")
        found += paths(one.url_patterns, route) if isinstance(one, URLResolver) else [route]
    return found


def test_no_route_with_a_key_in_its_path_is_written_with_it() -> None:
    keyed = [
        route for route in paths(get_resolver().url_patterns) if re.search(r"<(str:)?(token|key|uidb36|secret)>", route)
    ]
    keyed += [route for route in paths(get_resolver().url_patterns) if "P<token>" in route or "P<key>" in route]
    assert len(keyed) >= 9, "reports, feeds, mails' ways out and links to a new password"
    for route in keyed:
        path = "/" + re.sub(r"\(\?P<\w+>[^)]*\)|<[^>]+>", KEY, route)
        assert KEY in path
        assert KEY not in redacted(f"Internal Server Error: {path}"), route


def test_a_line_is_json_and_a_trace_is_redacted_too() -> None:
    try:
        raise ValueError("no room for ada@homes.test")
    except ValueError:
        record = logging.LogRecord("portal", logging.ERROR, __file__, 1, "failed at %s", ("/r/abc/",), sys.exc_info())
    text = JsonLines().format(record)
    assert "\n" not in text
    line = json.loads(text)
    assert (line["level"], line["from"], line["said"]) == ("error", "portal", "failed at /r/…")
    assert line["trace"].endswith("ValueError: no room for …@…")
