"""Codes in words: the sentences and labels that pages of every floor show for them."""

from __future__ import annotations

from collections.abc import Iterable

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext, pgettext_lazy

from logbook import lung
from logbook.answers import DIFFUSE, FOCAL, INDETERMINATE, NEGATIVE, NONE, POSITIVE

SIDE = {
    "right": pgettext_lazy("the patient's side", "right"),
    "left": pgettext_lazy("the patient's side", "left"),
}
SIDE_VALUE = {
    POSITIVE: gettext_lazy("positive"),
    NEGATIVE: gettext_lazy("negative"),
    INDETERMINATE: gettext_lazy("indeterminate"),
}
PATTERN_VALUE = {
    NONE: gettext_lazy("none"),
    FOCAL: gettext_lazy("focal"),
    DIFFUSE: gettext_lazy("diffuse"),
    INDETERMINATE: gettext_lazy("indeterminate"),
}
_HINTS = {
    "zones_missing": gettext_lazy("%(application)s: not imaged yet: %(zones)s."),
    "one_anterior_missing": gettext_lazy(
        "%(application)s: image at least one zone at the front of each side: one of %(zones)s."
    ),
    "still_for_movement": gettext_lazy(
        "%(application)s, %(zones)s: a still cannot show sliding, lung pulse or lung point. "
        "Save a clip over a breath, or the scanner's own M-mode."
    ),
    "too_deep": gettext_lazy(
        "%(application)s, %(zones)s: the pleural line is small at this depth. "
        "About 4 cm shows it; more than %(pleura)s cm rarely does."
    ),
    "too_shallow": gettext_lazy(
        "%(application)s, %(zones)s: in adults about 14 to 15 cm shows whether a line runs to the "
        "bottom; this is less than %(deep)s cm."
    ),
    "linear_probe": gettext_lazy(
        "%(application)s, %(zones)s: a linear probe does not reach deep enough in adults. "
        "A low-frequency probe does."
    ),
    "check_breathing": gettext_lazy(
        "Sliding is absent on both sides. First check that the patient is breathing."
    ),
}


def hint(given: lung.Hint, names: dict[str, str], parameters: lung.Parameters) -> str:
    """The sentence of a hint; ``names`` maps application codes to their names."""
    one_of = (
        given.code == "zones_missing"
        and parameters.required_rule(given.application) == lung.ONE_ANTERIOR
    )
    return _HINTS["one_anterior_missing" if one_of else given.code] % {
        "application": names.get(given.application, given.application),
        "zones": ", ".join(given.zones),
        "pleura": f"{parameters.pleura_at_most_mm / 10:g}",
        "deep": f"{parameters.deep_at_least_mm / 10:g}",
    }


def disagreement(name: str, sides: Iterable[str]) -> str:
    """Only for after the submission: the answer is no longer open to it."""
    named = [str(SIDE[side]) for side in sides if side in SIDE]
    if not named:
        return _(
            "%(application)s: your answer and the findings that you recorded do not go together. "
            "Look at both again; the answer stays as submitted."
        ) % {"application": name}
    return _(
        "%(application)s, %(sides)s: your answer and the findings that you recorded do not go "
        "together. Look at both again; the answer stays as submitted."
    ) % {"application": name, "sides": _(" and ").join(named)}


def confirmed(number: int) -> str:
    if not number:
        return _("Nothing was left to confirm.")
    return ngettext("%(n)s exam confirmed.", "%(n)s exams confirmed.", number) % {"n": number}
