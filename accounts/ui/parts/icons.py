"""The symbols of the page's own sprite."""

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString

register = template.Library()


@register.simple_tag
def icon(name: str, label: str = "", size: str = "") -> SafeString:
    """A symbol of the page's own sprite; silent to a screen reader unless it has a label."""
    css = f"icon icon-{size}" if size else "icon"
    if label:
        return format_html(
            '<svg class="{}" role="img" aria-label="{}"><use href="#i-{}"/></svg>',
            css,
            label,
            name,
        )
    return format_html(
        '<svg class="{}" aria-hidden="true" focusable="false"><use href="#i-{}"/></svg>',
        css,
        name,
    )
