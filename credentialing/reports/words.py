"""Small translations from content to print: days, shares, codes of the trade."""

from __future__ import annotations

import math
from datetime import date

from django.utils.formats import date_format
from django.utils.translation import gettext as _


def day(iso: str | None) -> str:
    """'2026-03-03' as '3 March 2026', in the language that is on; '' for none."""
    return date_format(date.fromisoformat(iso), "j F Y") if iso else ""


def short_day(iso: str | None) -> str:
    return date_format(date.fromisoformat(iso), "j M Y") if iso else ""


def percent(share: float, *, up: bool = False) -> str:
    """A share in percent with at most one decimal, rounded down (or up): never onto a bar it
    misses.
    """
    tenths = share * 1000
    whole = math.ceil(tenths - 1e-9) if up else math.floor(tenths + 1e-9)
    return f"{whole // 10}%" if whole % 10 == 0 else f"{whole // 10}.{whole % 10}%"


def call(code: str) -> str:
    """A call of the trainee or of the reader, as a column or row heading."""
    return {
        "positive": _("positive"),
        "negative": _("negative"),
        "focal": _("focal"),
        "indeterminate": _("indeterminate"),
        "limited": _("cannot be read"),
    }.get(code, code)


def not_in_read(code: str) -> str:
    """Why a reading is not among those compared."""
    return {
        "": "",
        "late": _("late"),
        "not_blind": _("not blind"),
        "not_independent": _("reader was at the bedside"),
        "knew": _("a result was known"),
        "corrected": _("corrected after the reveal"),
    }.get(code, code)
