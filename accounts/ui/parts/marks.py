"""Image quality, answers and states, each in words and a shape."""

from typing import Any

from django import template
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, pgettext_lazy

from accounts.ui.parts.rulers import LAPSED, MET, OPEN, UNKNOWN

register = template.Library()


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
