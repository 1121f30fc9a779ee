"""The drawn components as template tags. Words first: every drawing stands beside a sentence.

A tag computes geometry and sentences and hands them to a small template; nothing is drawn with
inline styles, nothing needs JavaScript.
"""

from collections.abc import Iterable, Mapping
from itertools import count, zip_longest
from typing import Any

import segno
from django import template
from django.forms import BaseForm, BoundField, CheckboxInput
from django.template.base import token_kwargs
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext, pgettext_lazy

from accounts.ui import chest, ruler

register = template.Library()


# ---------------------------------------------------------------------------------------------
# Icons


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


# ---------------------------------------------------------------------------------------------
# Depth ruler

OPEN, MET, LAPSED, UNKNOWN = "open", "met", "lapsed", "unknown"


def _amount(amount: float | None, kind: str) -> str:
    if amount is None:
        return "–"
    rounded = round(amount, 1) if kind == ruler.SHARE else amount
    return _("%(share)s%%") % {"share": f"{rounded:g}"} if kind == ruler.SHARE else f"{rounded:g}"


def _holds(value: float, needed: float | None, low, high, bound: bool, at_most: bool) -> bool:
    judged = (high if at_most else low) if bound else value
    if needed is None or judged is None:
        return False
    return judged <= needed if at_most else judged >= needed


def _says(state: str, value, needed, kind: str, at_most: bool, bound: bool) -> str:
    """The word that tells what a ruler means, where the caller has no better one."""
    if state == UNKNOWN:
        return _("not yet known")
    if state == LAPSED:
        return _("lapsed")
    if needed is None:
        return ""
    if state == MET:
        return _("within the limit") if at_most else _("met")
    if at_most:
        return _("above the limit")
    if kind == ruler.COUNT:
        left = needed - value
        return ngettext("%(n)s to go", "%(n)s to go", left) % {"n": f"{left:g}"}
    return _("not yet met")


@register.inclusion_tag("ui/depth_ruler.html")
def depth_ruler(
    value: float | None,
    needed: float | None = None,
    waiting: int = 0,
    label: str = "",
    state_word: str = "",
    orientation: str = "down",
    href: str = "",
    state: str = "",
    kind: str = ruler.COUNT,
    at_most: bool = False,
    low: float | None = None,
    high: float | None = None,
    bound: bool = False,
    top: float | None = None,
    value_text: str = "",
    waiting_text: str = "",
    note: str = "",
    show_label: bool = True,
) -> dict[str, Any]:
    """Progress toward a threshold, as the scale at the edge of an ultrasound image.

    kind: "count", "share" (percent) or "ordinal" (a median of 1-5). `low` and `high` are the
    plausible range of a share; with `bound` it is the range that has to clear the bar. `value`
    None is *not yet known*. `state` is worked out from the numbers unless given; "lapsed" cannot
    be and must be. `top` fixes the end of the scale, so that a column of rulers compares.
    """
    if not state:
        if value is None:
            state = UNKNOWN
        else:
            state = MET if _holds(value, needed, low, high, bound, at_most) else OPEN
    across = orientation == "across"
    drawn = ruler.draw(
        value,
        needed,
        waiting=waiting,
        kind=kind,
        at_most=at_most,
        low=low,
        high=high,
        top=top,
        length=160 if across else 152,
    )
    if not value_text:
        shown = _amount(value, kind)
        if needed is None:
            value_text = shown
        elif value is None:
            asked = _("at most %(needed)s") if at_most else _("asked %(needed)s")
            value_text = asked % {"needed": _amount(needed, kind)}
        elif at_most:
            value_text = _("%(value)s, at most %(needed)s") % {
                "value": shown,
                "needed": _amount(needed, kind),
            }
        elif kind == ruler.COUNT:
            value_text = _("%(value)s of %(needed)s") % {
                "value": shown,
                "needed": f"{needed:g}",
            }
        else:
            value_text = _("%(value)s, asked %(needed)s") % {
                "value": shown,
                "needed": _amount(needed, kind),
            }
    if waiting and not waiting_text:
        waiting_text = ngettext("%(n)s waits to be read", "%(n)s wait to be read", waiting) % {
            "n": waiting
        }
    range_text = ""
    if low is not None and high is not None:
        range_text = _("plausible %(low)s to %(high)s") % {
            "low": _amount(low, kind),
            "high": _amount(high, kind),
        }
    return {
        "ruler": drawn,
        "units": _Units(drawn),
        "across": across,
        "label": label,
        "show_label": show_label,
        "value_text": value_text,
        "state": state,
        "state_word": state_word or _says(state, value, needed, kind, at_most, bound),
        "waiting_text": waiting_text,
        "range_text": range_text,
        "note": note,
        "href": href,
    }


class _Units:
    """Attribute values of a ruler as plain text: a template would write 12,5 in some languages."""

    OFFSET = 14  # room for the probe's face before the skin line of an upright ruler

    def __init__(self, drawn: ruler.Ruler):
        self.drawn = drawn

    def _at(self, amount: float) -> str:
        return f"{amount:g}"

    @property
    def ticks(self) -> Iterable[dict[str, str]]:
        for tick in self.drawn.ticks:
            yield {
                "at": self._at(tick.at),
                "down": self._at(tick.at + self.OFFSET),
                "text": self._at(tick.at + self.OFFSET + 3.5),
                "reach": self._at(34 + tick.size),
                "drop": self._at(18 + tick.size * 0.72),
                "numeral": tick.numeral,
                "long": tick.size == ruler.LONG,
            }

    def _span(self, span: ruler.Span | None) -> dict[str, str] | None:
        if span is None:
            return None
        middle = (span.start + span.end) / 2
        return {
            "start": self._at(span.start),
            "length": self._at(span.length),
            "end": self._at(span.end),
            "down": self._at(span.start + self.OFFSET),
            "down_end": self._at(span.end + self.OFFSET),
            "middle": self._at(middle),
        }

    @property
    def fill(self):
        return self._span(self.drawn.fill)

    @property
    def waiting(self):
        return self._span(self.drawn.waiting)

    @property
    def closed(self):
        return self._span(self.drawn.closed)

    @property
    def plausible(self):
        return self._span(self.drawn.plausible)

    @property
    def threshold(self):
        at = self.drawn.threshold
        if at is None:
            return None
        return {
            "at": self._at(at),
            "down": self._at(at + self.OFFSET),
            "text": self._at(at + self.OFFSET + 4),
            "over": self._at(at - 4),
            "under": self._at(at + 4),
        }

    @property
    def length(self):
        return self._at(self.drawn.length)

    @property
    def box_down(self):
        return f"0 0 72 {self.drawn.length + self.OFFSET + 8:g}"

    @property
    def box_across(self):
        return f"-2 0 {self.drawn.length + 6:g} 32"

    @property
    def end_down(self):
        return self._at(self.drawn.length + self.OFFSET)


# ---------------------------------------------------------------------------------------------
# Chest map

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


# ---------------------------------------------------------------------------------------------
# Quality, answers, states

QUALITY_WORDS = {
    1: gettext_lazy("cannot answer"),
    2: gettext_lazy("doubtful"),
    3: gettext_lazy("adequate"),
    4: gettext_lazy("good"),
    5: gettext_lazy("exemplary"),
}


@register.inclusion_tag("ui/quality.html")
def quality(mark: int | None, word: str = "", at_least: int = 3) -> dict[str, Any]:
    """Image quality 1-5 as tick lengths, with its word; the line stands at the cut."""
    return {
        "mark": mark,
        "word": word or QUALITY_WORDS.get(mark, _("not marked")),
        "bars": [
            {
                "x": f"{2 + (grade - 1) * 8}",
                "y": f"{18 - grade * 3}",
                "height": f"{grade * 3}",
                "on": mark is not None and grade <= mark,
            }
            for grade in range(1, 6)
        ],
        "cut": f"{18 - at_least * 3}",
    }


ANSWER_WORDS = {
    "positive": gettext_lazy("positive"),
    "negative": gettext_lazy("negative"),
    "indeterminate": gettext_lazy("indeterminate"),
    "none": pgettext_lazy("interstitial pattern", "none"),
    "focal": gettext_lazy("focal"),
    "diffuse": gettext_lazy("diffuse"),
    "limited": gettext_lazy("limited: the images cannot answer"),
    "unreadable": gettext_lazy("cannot be read from these images"),
}


@register.inclusion_tag("ui/answer.html")
def answer_chips(answer: Any, reader: bool = False, confidence: str = "") -> dict[str, Any]:
    """An answer in words and shapes: one chip a side, or one for the pattern.

    `answer` has `right`, `left`, `pattern` and `limited`, or is None (not answered). For a
    reader, limited is worded as *cannot be read from these images*.
    """
    chips = []
    if answer is None:
        chips.append({"shape": "unknown", "word": _("not answered")})
    elif answer.limited:
        word = "unreadable" if reader else "limited"
        chips.append({"shape": "limited", "word": ANSWER_WORDS[word]})
    elif answer.pattern:
        chips.append({"shape": answer.pattern, "word": ANSWER_WORDS[answer.pattern]})
        for side, there in (
            (_("patient’s right"), answer.right),
            (_("patient’s left"), answer.left),
        ):
            if answer.pattern == "focal" and there == "positive":
                chips.append({"shape": "positive", "word": side})
    else:
        for side, call in (
            (_("patient’s right"), answer.right),
            (_("patient’s left"), answer.left),
        ):
            if call:
                chips.append({"shape": call, "side": side, "word": ANSWER_WORDS[call]})
        if not chips:
            chips.append({"shape": "unknown", "word": _("not answered")})
    return {"chips": chips, "confidence": confidence}


# code: (shape, weight 1-3, word). Weight is how loud the tag is, not how good the news is.
STATES: dict[str, tuple[str, int, Any]] = {
    "draft": ("draft", 1, gettext_lazy("draft")),
    "uploading": ("sending", 1, gettext_lazy("sending")),
    "received": ("received", 1, gettext_lazy("received")),
    "complete": ("received", 2, gettext_lazy("complete")),
    "needs_you": ("needs", 3, gettext_lazy("needs you")),
    "confirm_mask": ("needs", 3, gettext_lazy("confirm the mask")),
    "ready": ("received", 2, gettext_lazy("ready")),
    "refused": ("limited", 3, gettext_lazy("refused")),
    "withdrawn": ("away", 1, gettext_lazy("withdrawn")),
    "submitted": ("waiting", 1, gettext_lazy("waiting to be read")),
    "held": ("held", 2, gettext_lazy("held by a reader")),
    "attested": ("met", 2, gettext_lazy("attested")),
    "credited": ("met", 2, gettext_lazy("credited")),
    "not_credited": ("negative", 2, gettext_lazy("not credited")),
    "set_aside": ("away", 1, gettext_lazy("set aside")),
    "returned": ("returned", 3, gettext_lazy("returned")),
    "closed": ("away", 1, gettext_lazy("closed")),
    "late": ("late", 2, gettext_lazy("late")),
    "agrees": ("agrees", 2, gettext_lazy("answers agree")),
    "disagrees": ("disagrees", 3, gettext_lazy("answers disagree")),
    "urgent": ("telephone", 3, gettext_lazy("urgent")),
    "confirmed": ("met", 2, gettext_lazy("confirmed")),
    "claimed": ("open", 1, gettext_lazy("claimed")),
    OPEN: ("open", 1, gettext_lazy("to go")),
    MET: ("met", 2, gettext_lazy("met")),
    LAPSED: ("lapsed", 3, gettext_lazy("lapsed")),
    UNKNOWN: ("unknown", 1, gettext_lazy("not yet known")),
}


@register.inclusion_tag("ui/state.html")
def state_tag(code: str, word: str = "", detail: str = "") -> dict[str, Any]:
    """A state as shape and word. A code without a shape of its own prints its word alone."""
    shape, weight, usual = STATES.get(code, ("open", 1, code.replace("_", " ")))
    return {"shape": shape, "weight": weight, "word": word or usual, "detail": detail}


# ---------------------------------------------------------------------------------------------
# Notices and cautions


@register.inclusion_tag("ui/cautions.html")
def cautions(place: str = "record") -> dict[str, str]:
    """The standing cautions. place: "record", "read" or "report"."""
    return {"place": place}


@register.inclusion_tag("ui/urgent.html")
def urgent(
    telephone: str,
    exam_code: str = "",
    place: str = "",
    supervisor: str = "",
    sentence: str = "",
) -> dict[str, str]:
    """Somebody has to be telephoned now. Loud by size, frame and words."""
    return {
        "telephone": telephone,
        "dial": "".join(c for c in telephone if c.isdigit() or c in "+*#"),
        "exam_code": exam_code,
        "place": place,
        "supervisor": supervisor,
        "sentence": sentence,
    }


@register.inclusion_tag("ui/empty.html")
def empty_state(
    title: str, text: str = "", action_label: str = "", href: str = ""
) -> dict[str, str]:
    return {"title": title, "text": text, "action_label": action_label, "href": href}


class _NoticeNode(template.Node):
    def __init__(self, kind, options, inner):
        self.kind, self.options, self.inner = kind, options, inner

    def render(self, context):
        given = {name: value.resolve(context) for name, value in self.options.items()}
        kind = self.kind.resolve(context)
        page = context.template.engine.get_template("ui/notice.html")
        with context.push(
            kind=kind,
            shape={"caution": "caution", "urgent": "telephone", "done": "met"}.get(kind, "note"),
            title=given.get("title", ""),
            live=given.get("live", False),
            inner=self.inner.render(context),
        ):
            return page.render(context)


@register.tag
def notice(parser, token):
    """{% notice "note|caution|urgent|done" title="" live=False %}...{% endnotice %}"""
    bits = token.split_contents()[1:]
    if not bits:
        raise template.TemplateSyntaxError("notice needs its kind first")
    kind = parser.compile_filter(bits[0])
    rest = bits[1:]
    options = {}
    if rest and "=" not in rest[0]:
        options["title"] = parser.compile_filter(rest.pop(0))
    options |= token_kwargs(rest, parser)
    if rest:
        raise template.TemplateSyntaxError(f"notice does not understand {rest[0]!r}")
    inner = parser.parse(("endnotice",))
    parser.delete_first_token()
    return _NoticeNode(kind, options, inner)


# ---------------------------------------------------------------------------------------------
# Forms


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


@register.simple_tag
def qr(text: str, label: str) -> SafeString:
    """A QR code as an inline drawing, black on white in every theme."""
    code = segno.make(text, error="m", micro=False)
    drawing = code.svg_inline(border=4, light="#fff", svgclass="qr", lineclass=None, omitsize=True)
    return format_html('<span role="img" aria-label="{}">{}</span>', label, mark_safe(drawing))  # noqa: S308


# ---------------------------------------------------------------------------------------------
# Clip player, keys

_clip_numbers = count(1)


@register.inclusion_tag("ui/clip.html")
def clip(
    src: str,
    poster: str = "",
    label: str = "",
    frames: int = 0,
    rate: float = 25,
    width: int = 640,
    height: int = 480,
    kind: str = "clip",
) -> dict[str, Any]:
    """A capture: a looping clip with step and speed, or (kind "still") an image.

    `rate` is frames a second as stored, `frames` their number. Without JavaScript the browser's
    own controls stay.
    """
    return {
        "src": src,
        "poster": poster,
        "label": label or _("clip"),
        "frames": frames,
        "last": max(frames - 1, 0),
        "rate": f"{rate:g}",
        "width": width,
        "height": height,
        "kind": kind,
        "speeds": (("0.25", "¼"), ("0.5", "½"), ("1", "1")),
        "number": next(_clip_numbers),
    }


@register.simple_tag
def key(letter: str) -> SafeString:
    """A key hint; hidden where there is no keyboard to speak of."""
    return format_html('<kbd class="key" aria-hidden="true">{}</kbd>', letter)
