"""A curve ready for its page: the drawing's steps, and the same in rows."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass

from django.urls import reverse
from django.utils.translation import gettext as _

from accounts.ui.trace import Step
from credentialing.curves import words
from credentialing.learning_curve import START_AGAIN, Curve, Point
from credentialing.words import day


@dataclass(frozen=True)
class Row:
    """One scan. `code` "" where whoever looks could still read the exam."""

    number: int
    code: str
    href: str
    received_on: object
    agreed: bool
    score: str
    event: str
    begins: str


@dataclass(frozen=True)
class Line:
    """One application's curve in a word, for the page of a trainee."""

    name: str
    href: str
    state: str
    code: str
    scans: int


def rows_of(curve: Curve, codes: Mapping[uuid.UUID, str], programme) -> list[Row]:
    return [
        Row(
            number,
            codes.get(point.fact.exam, ""),
            _href(point, codes, programme),
            point.fact.received_on,
            point.success,
            f"{point.score:.2f}",
            words.event(point),
            words.begins(point.starts),
        )
        for number, point in enumerate(curve.points, 1)
    ]


def _href(point: Point, codes: Mapping[uuid.UUID, str], programme) -> str:
    if point.fact.exam not in codes:
        return ""
    return reverse("review:exam", args=[programme.code, point.fact.exam])


def steps_of(curve: Curve, codes: Mapping[uuid.UUID, str], programme) -> list[Step]:
    found = []
    before = None
    for number, point in enumerate(curve.points, 1):
        # The sum that signalled ends with its signal; the other begins at the skin.
        stood = before is not None and before.watched and before.event == "alarm"
        found.append(
            Step(
                point.score,
                missed=not point.success,
                phase=int(point.watched),
                event=words.event(point),
                href=_href(point, codes, programme),
                says=_("Scan %(n)s, received %(day)s: %(said)s")
                % {
                    "n": number,
                    "day": day(point.fact.received_on),
                    "said": _("matched") if point.success else _("did not match"),
                },
                breaks=bool(point.starts) or (stood and point.starts == START_AGAIN),
            )
        )
        before = point
    return found


def drawing(curve: Curve, codes: Mapping[uuid.UUID, str], programme) -> dict:
    return {
        "steps": steps_of(curve, codes, programme),
        "limits": {0: curve.limits.h, 1: curve.limits.drift_h},
        "words": {0: _("signal"), 1: _("alarm")},
    }
