"""Codes in words: the sentences and labels that pages of every floor show for them."""

from __future__ import annotations

from collections.abc import Iterable

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext, pgettext_lazy

from logbook import lung
from logbook.answers import (
    DIFFUSE,
    FOCAL,
    INDETERMINATE,
    LIMITED,
    NEGATIVE,
    NONE,
    POSITIVE,
    Answer,
)

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
CALL = {
    POSITIVE: gettext_lazy("positive"),
    NEGATIVE: gettext_lazy("negative"),
    FOCAL: gettext_lazy("focal"),
    INDETERMINATE: gettext_lazy("indeterminate"),
    LIMITED: gettext_lazy("cannot be answered from these images"),
}

# Stand on every screen where an exam is recorded or read.
CAUTIONS = (
    gettext_lazy("This is an education record: not the patient's chart, and not for diagnosis."),
    gettext_lazy(
        "Nobody watches this list. If you are worried about the patient, call for help now."
    ),
    gettext_lazy(
        "Local credentialing policy and the licensed clinician at the bedside decide what is done."
    ),
    gettext_lazy(
        "Whether these records are protected from disclosure is local law; ask your counsel."
    ),
)


def answer(given: Answer) -> str:
    """Such as ``right positive, left negative`` or ``focal, right``."""
    if given.limited:
        return str(CALL[LIMITED])
    if given.pattern == FOCAL and not given.is_open:
        sides = _(" and ").join(str(SIDE[side]) for side in given.positive_sides)
        return _("focal, %(sides)s") % {"sides": sides}
    if given.pattern:
        return str(PATTERN_VALUE[given.pattern])
    said = [
        _("%(side)s %(value)s") % {"side": SIDE[side], "value": SIDE_VALUE[value]}
        for side in ("right", "left")
        if (value := getattr(given, side))
    ]
    return ", ".join(said) or _("not answered")


def zone(code: str, scheme: lung.Scheme) -> str:
    """Such as ``R1, front, upper``; the code alone where the scheme no longer has it."""
    return f"{code}, {_(scheme[code].name)}" if code in scheme else code


def zones(codes: Iterable[str]) -> str:
    return ", ".join(codes)


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
        "zones": zones(given.zones),
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
