"""Parts of a page that are drawn: icons of one set, the house's own drawings, and a firm's colours."""

from __future__ import annotations

from django.template import Library
from django.templatetags.static import static
from django.utils.html import format_html
from django.utils.safestring import SafeString

register = Library()


@register.simple_tag
def icon(name: str) -> SafeString:
    """An icon beside words that say the same; ``name`` is one of ``management.appearance.ICONS``."""
    return format_html('<svg class="icon" aria-hidden="true"><use href="{}#{}"/></svg>', static("icons.svg"), name)


@register.inclusion_tag("drawing.html")
def drawing(kind: str) -> dict[str, str]:
    """A roof in the light: as a verdict's colour says, or ``calm`` where a list is empty."""
    return {"kind": kind}
