"""The chest map: zones to read, to follow or to choose."""

from collections.abc import Mapping
from typing import Any

from django import template
from django.forms import BoundField
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts.ui import chest

register = template.Library()


ZONE_STATES = {
    "": gettext_lazy("not imaged"),
    "imaged": gettext_lazy("imaged"),
    "finding": gettext_lazy("finding"),
    "missing": gettext_lazy("missing"),
    "off": gettext_lazy("not part of this exam"),
}

VIEWS = (
    (
        chest.FRONT,
        gettext_lazy("front"),
        gettext_lazy("patient’s right"),
        gettext_lazy("patient’s left"),
    ),
    (
        chest.BACK,
        gettext_lazy("back"),
        gettext_lazy("patient’s left"),
        gettext_lazy("patient’s right"),
    ),
)


def zone_name(zone: chest.Zone) -> str:
    """`R1, patient's right, anterior upper`, in the reader's language."""
    side = _("patient’s right") if zone.side == chest.RIGHT else _("patient’s left")
    return _("%(code)s, %(side)s, %(name)s") % {
        "code": zone.code,
        "side": side,
        "name": _(zone.name),
    }


def _mark(given: Any) -> dict[str, Any]:
    """One zone's value: a mapping (state, word, count), a number, a word or nothing."""
    if isinstance(given, Mapping):
        return {"state": "", "word": "", **given}
    if isinstance(given, bool):
        return {"state": "imaged" if given else "", "word": ""}
    if given in (None, "", 0):
        return {"state": "", "word": ""}
    return {"state": "imaged", "word": str(given)}


@register.inclusion_tag("ui/chest_map.html")
def chest_map(
    scheme: str | list[str],
    mode: str = "read",
    name: str = "zones",
    values: Mapping[str, Any] | None = None,
    label: str = "",
    prefix: str = "zone-",
    field: BoundField | None = None,
    words: bool = False,
) -> dict[str, Any]:
    """The chest with the zones of a scheme.

    mode "read": counts and marks only. "links": each zone leads to `#{prefix}{code}`. "choose":
    a list of checkboxes `name` with the values of the zone codes, which the drawing follows.
    values: code -> {"state": "", "imaged", "finding", "missing" or "off"; "word"; "checked"}, or
    just a word or a number. With `field` (a MultipleChoiceField of codes) name and ticks come
    from it. `scheme`: a key of chest.SCHEMES, or codes.
    """
    values = values or {}
    chosen: set[str] = set()
    if field is not None:
        name = field.html_name
        chosen = {str(code) for code in field.value() or ()}
    zones = []
    for zone in chest.zones_of(scheme):
        mark = _mark(values.get(zone.code))
        state_word = ZONE_STATES[mark["state"]]
        zones.append(
            {
                "zone": zone,
                "code": zone.code,
                "name": zone_name(zone),
                "short": _(zone.name),
                "path": zone.path,
                "x": f"{zone.x:g}",
                "y": f"{zone.y:g}",
                "y_word": f"{zone.y + 17:g}",
                "state": mark["state"],
                "word": mark["word"],
                "says": mark["word"] or state_word,
                "checked": mark.get("checked") or zone.code in chosen,
                "href": f"#{prefix}{zone.code}",
                "id": f"{prefix}{zone.code}",
            }
        )
    views = [
        {"key": key, "title": title, "west": west, "east": east, "zones": here}
        for key, title, west, east in VIEWS
        if (here := [z for z in zones if z["zone"].view == key])
    ]
    sides = [
        {"title": title, "zones": [z for z in zones if z["zone"].side == side]}
        for side, title in (
            (chest.RIGHT, _("Patient’s right")),
            (chest.LEFT, _("Patient’s left")),
        )
    ]
    return {
        "views": views,
        "sides": sides,
        "mode": mode,
        "name": name,
        "label": label or _("Chest map"),
        "words": words,
        "several": len(views) > 1,
    }
