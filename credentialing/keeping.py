"""What the pages of the record show: each kind with its lines, told in words."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from accounts.models import Membership
from credentialing.models import RECORDS, Record

TITLES = {
    "transfer": gettext_lazy("Attested elsewhere"),
    "document": gettext_lazy("Courses, tests, documents"),
    "procedure": gettext_lazy("Procedures"),
    "leave": gettext_lazy("Away"),
    "extension": gettext_lazy("Longer training"),
    "remediation": gettext_lazy("Remediation"),
    "completion": gettext_lazy("How it ended"),
}
ADD = {
    "transfer": gettext_lazy("Grant credit from elsewhere"),
    "document": gettext_lazy("Add a document"),
    "procedure": gettext_lazy("Add a procedure"),
    "leave": gettext_lazy("Add time away"),
    "extension": gettext_lazy("Extend training"),
    "remediation": gettext_lazy("Begin remediation"),
    "completion": gettext_lazy("End training"),
}
SAYS_WHAT = {
    "transfer": gettext_lazy(
        "Adds to the count, on a line of its own, and never to any figure on accuracy."
    ),
    "leave": gettext_lazy(
        "Days away are taken out of the pace, not out of the time until the end."
    ),
    "remediation": gettext_lazy(
        "A block with a beginning of its own. Nothing earlier is erased, and no outside copy of a "
        "report names it."
    ),
}


def _date(value) -> str:
    return date_format(value, "j M Y")


def _span(first, last) -> str:
    if last is None:
        return _("from %(day)s") % {"day": _date(first)}
    return _("%(first)s to %(last)s") % {"first": _date(first), "last": _date(last)}


def _transfer(row) -> str:
    said = {
        "credited": ngettext("%(n)s scan", "%(n)s scans", row.count),
        "assessed": ngettext(
            "%(n)s bedside assessment at level %(level)s",
            "%(n)s bedside assessments at level %(level)s",
            row.count,
        ),
        "document": _("a document"),
    }[row.measure] % {"n": row.count, "level": row.level}
    about = row.application.name if row.application else _kind_of_document(row.kind)
    positive = ", " + _("%(n)s of them positive") % {"n": row.positive} if row.positive else ""
    return _("%(about)s: %(what)s%(positive)s, performed %(span)s, attested by %(grantor)s") % {
        "about": about,
        "what": said,
        "positive": positive,
        "span": _span(row.performed_from, row.performed_to),
        "grantor": row.grantor,
    }


def _kind_of_document(kind: str) -> str:
    return str(dict(RECORDS["document"].KINDS).get(kind, kind))


def _document(row) -> str:
    valid = (
        ", " + _("valid until %(day)s") % {"day": _date(row.valid_until)} if row.valid_until else ""
    )
    return f"{row.title} ({row.get_kind_display()}), {_date(row.effective_on)}{valid}"


def _procedure(row) -> str:
    return ", ".join(
        [
            row.code,
            _date(row.effective_on),
            _("supervised") if row.supervised else _("not supervised"),
            _("with complications") if row.complications else _("no complications"),
        ]
    )


def _remediation(row) -> str:
    about = row.application.name if row.application else _("Every application")
    return f"{about}, {_span(row.begins_on, row.ends_on)}"


SENTENCES: dict[str, Callable[[Any], str]] = {
    "transfer": _transfer,
    "document": _document,
    "procedure": _procedure,
    "leave": lambda row: f"{row.get_reason_display()}, {_span(row.starts_on, row.ends_on)}",
    "extension": lambda row: (
        _("until %(day)s instead of %(before)s")
        % {"day": _date(row.ends_on), "before": _date(row.before_on)}
    ),
    "remediation": _remediation,
    "completion": lambda row: f"{row.get_outcome_display()}, {_date(row.effective_on)}",
}


def current_lines(membership: Membership, *, with_remediation: bool) -> list[str]:
    """What stands in the record now, a sentence a line; one query a kind."""
    told = []
    for kind, model in RECORDS.items():
        if kind == "remediation" and not with_remediation:
            continue
        related = [name for name in ("application",) if name in model.SAYS]
        rows = model.objects.current().filter(membership=membership).order_by("effective_on")
        told += [f"{TITLES[kind]}: {SENTENCES[kind](row)}" for row in rows.select_related(*related)]
    return told


@dataclass(frozen=True)
class RecordLine:
    row: Record
    sentence: str
    gone: str  # why it no longer stands; "" where it does


@dataclass(frozen=True)
class Section:
    """One kind of the record with its lines, the newest first."""

    kind: str
    title: str
    add: str
    about: str
    lines: list[RecordLine]


def sections(membership: Membership, kinds: Iterable[str]) -> list[Section]:
    """One query a kind. Lines that were superseded stay in sight, struck through in words."""
    found = []
    for kind in kinds:
        model = RECORDS[kind]
        related = ["recorded_by", "why"]
        related += [name for name in ("application", "document") if name in model.SAYS]
        rows = list(
            model.objects.filter(membership=membership)
            .select_related(*related)
            .order_by("-effective_on", "-seq")
        )
        revoking = {row.supersedes_id for row in rows if row.revoked}
        lines = []
        for row in rows:
            if row.revoked:
                continue
            gone = ""
            if row.superseded_on:
                gone = _("taken back") if row.pk in revoking else _("corrected")
            lines.append(RecordLine(row, SENTENCES[kind](row), gone))
        found.append(
            Section(kind, str(TITLES[kind]), str(ADD[kind]), str(SAYS_WHAT.get(kind, "")), lines)
        )
    return found
