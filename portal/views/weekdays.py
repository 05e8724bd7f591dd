"""Days of the week in a form: boxes to tick, kept as digits of which Monday is 0."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.dates import WEEKDAYS


class WeekdaysField(forms.MultipleChoiceField):
    """Days of the week; none is an empty text."""

    def __init__(self, **kwargs: Any) -> None:
        choices = [(str(number), word) for number, word in WEEKDAYS.items()]
        super().__init__(choices=choices, widget=forms.CheckboxSelectMultiple, **kwargs)

    def prepare_value(self, value: Any) -> Any:
        return list(value or "")

    def clean(self, value: Any) -> Any:
        return "".join(sorted(super().clean(value)))
