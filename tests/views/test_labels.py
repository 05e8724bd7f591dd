"""How fields are named: by a label of just its words, tied to its field, and by its help where there is some."""

from __future__ import annotations

import re

import pytest
from django import forms
from django.forms import renderers

from portal.views.labels import PlainlyLabelled, Renderer


class Asked(forms.Form):
    name = forms.CharField(label="Your name")
    why = forms.CharField(label="Why?", help_text="In a word.")
    days = forms.MultipleChoiceField(label="Days", choices=[("0", "Monday")], widget=forms.CheckboxSelectMultiple)


def test_every_form_of_the_portal_is_drawn_by_it() -> None:
    assert isinstance(renderers.get_default_renderer(), Renderer)
    assert isinstance(Asked()["name"], PlainlyLabelled)


@pytest.mark.parametrize("field", ["name", "why"])
def test_a_label_ends_where_its_words_end_and_is_tied_to_its_field(field: str) -> None:
    form = Asked()
    drawn = form[field].as_field_group()
    ((tied, words),) = re.findall(r'<label for="([^"]+)">([^<]*)</label>', drawn)
    assert words == form[field].label
    assert f'id="{tied}"' in drawn


def test_a_group_is_named_by_its_legend() -> None:
    drawn = Asked()["days"].as_field_group()
    assert re.search(r"<fieldset[^>]*>\s*<legend>Days</legend>", drawn)


def test_a_field_says_what_helps_and_what_was_wrong_to_who_cannot_see_it() -> None:
    drawn = Asked({"name": "Ida", "why": ""})["why"].as_field_group()
    (described,) = re.findall(r'aria-describedby="([^"]+)"', drawn)
    for one in described.split():
        assert f'id="{one}"' in drawn, one
    assert 'aria-invalid="true"' in drawn
    assert len(described.split()) == 2, "its help, and what was wrong"


def test_a_suffix_that_a_template_asks_for_is_kept() -> None:
    assert Asked()["name"].label_tag(label_suffix="!") == '<label for="id_name">Your name!</label>'
    assert Asked(label_suffix="!")["name"].label_tag() == '<label for="id_name">Your name</label>'
