"""Form fields, their errors, and the summary of them."""

from itertools import zip_longest
from typing import Any

from django import template
from django.forms import BaseForm, BoundField, CheckboxInput
from django.utils.translation import ngettext

register = template.Library()


@register.inclusion_tag("ui/field.html")
def field(
    bound: BoundField,
    look: str = "",
    hint: str = "",
    optional: bool | None = None,
    label: str = "",
    keys: str = "",
) -> dict[str, Any]:
    """One form field: label, help, error, control, in that order.

    look: "" (by the widget), "segments" (short choices side by side), "list" (choices one below
    the other), "dense" (segments, smaller where there is a mouse), "narrow" (text). Radio and
    checkbox groups are 48-pixel targets. `keys` gives the choices a key each, in their order
    ("1 2 3"; "-" leaves one out).
    """
    widget = bound.field.widget
    if bound.is_hidden:
        shape = "hidden"
    elif isinstance(widget, CheckboxInput):
        shape = "tick"
    elif getattr(widget, "input_type", "") in ("radio", "checkbox"):
        shape = "choices"
    else:
        shape = "line"
    described = [f"{bound.auto_id}_hint"] if hint else []
    if bound.help_text:
        described.append(f"{bound.auto_id}_helptext")
    if bound.errors:
        described.append(f"{bound.auto_id}_error")
    described_by = " ".join(described)
    attrs = {"aria-describedby": described_by} if described_by and shape in ("line", "tick") else {}
    return {
        "field": bound,
        "choices": list(zip_longest(bound, keys.split()[: len(bound)]))
        if shape == "choices"
        else [],
        "control": bound.as_widget(attrs=attrs) if shape != "choices" else "",
        "shape": shape,
        "look": look or ("list" if shape == "choices" else ""),
        "label": label or bound.label,
        "hint": hint,
        "described_by": described_by,
        "optional": (not bound.field.required) if optional is None else optional,
        "multiple": getattr(widget, "allow_multiple_selected", False),
    }


@register.inclusion_tag("ui/fields.html")
def fields(form: BaseForm) -> dict[str, Any]:
    """Every visible field of a form in its order, the hidden ones after them."""
    return {"form": form}


@register.inclusion_tag("ui/error_summary.html")
def error_summary(*forms: BaseForm) -> dict[str, Any]:
    """What has to be looked at again, each with a link to its place. Empty when all is well."""
    found, general = [], []
    for form in forms:
        if form is None or not getattr(form, "errors", None):
            continue
        members = form.forms if hasattr(form, "forms") else [form]
        if hasattr(form, "non_form_errors"):
            general.extend(form.non_form_errors())
        for member in members:
            general.extend(member.non_field_errors())
            for bound in member:
                if bound.is_hidden:
                    general.extend(f"{bound.label}: {sentence}" for sentence in bound.errors)
                    continue
                anchor = _anchor(bound)
                found.extend(
                    {"href": f"#{anchor}", "label": bound.label, "sentence": sentence}
                    for sentence in bound.errors
                )
    total = len(found) + len(general)
    return {
        "found": found,
        "general": general,
        "total": total,
        "title": ngettext("%(n)s thing needs another look", "%(n)s things need another look", total)
        % {"n": total},
    }


def _anchor(bound: BoundField) -> str:
    """Where a link to a field must lead: a group of choices has no control of its own name."""
    if getattr(bound.field.widget, "use_fieldset", False):
        return f"{bound.auto_id}_0"
    return bound.id_for_label or bound.auto_id
