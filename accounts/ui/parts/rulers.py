"""The depth ruler: progress as the scale at the edge of an ultrasound image."""

from collections.abc import Iterable
from typing import Any

from django import template
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts.ui import ruler

register = template.Library()


OPEN, MET, LAPSED, UNKNOWN = "open", "met", "lapsed", "unknown"
PLAIN = "plain"  # so much of a whole: nothing is asked, so nothing is judged


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
    if state == PLAIN:
        return ""
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
    be and must be, and so must "plain", where `needed` is the whole and nothing is asked. `top`
    fixes the end of the scale, so that a column of rulers compares.
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
