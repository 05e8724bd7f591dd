"""How a field is named on a page: by its label as it stands, without the colon of a paper form."""

from __future__ import annotations

from typing import Any

from django.forms import BoundField
from django.forms.renderers import DjangoTemplates
from django.utils.safestring import SafeString


class PlainlyLabelled(BoundField):
    """A field whose label ends where its words end, as those do that templates write themselves."""

    def label_tag(
        self, contents: Any = None, attrs: Any = None, label_suffix: str | None = "", tag: str | None = None
    ) -> SafeString:
        return super().label_tag(contents, attrs, label_suffix or "", tag)


class Renderer(DjangoTemplates):
    bound_field_class = PlainlyLabelled
