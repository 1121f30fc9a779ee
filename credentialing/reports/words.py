"""Small translations from content to print: days, shares, codes of the trade."""

from __future__ import annotations

import math
from datetime import date
from functools import lru_cache

from django.utils.formats import date_format
from django.utils.translation import get_language, gettext_lazy
from django.utils.translation import gettext as _

# Why a number that was met is met no longer.
LOST = {
    "recency": gettext_lazy("scans have left the window"),
    "superseded": gettext_lazy("a correction took the place of an attestation"),
    "new_readings": gettext_lazy("newer readings changed it"),
    "time": gettext_lazy("the time is over"),
    "drift": gettext_lazy("disagreements have become frequent"),
    "started_again": gettext_lazy("the director started the curve again"),
}


def day(iso: str | None) -> str:
    """'2026-03-03' as '3 March 2026', in the language that is on; '' for none."""
    return _printed(iso, "j F Y", get_language()) if iso else ""


def short_day(iso: str | None) -> str:
    return _printed(iso, "j M Y", get_language()) if iso else ""


def month(iso: str | None) -> str:
    """'2026-03' as 'March 2026'; '' for none."""
    return _printed(f"{iso}-01", "F Y", get_language()) if iso else ""


@lru_cache(maxsize=2000)
def _printed(iso: str, form: str, language: str | None) -> str:
    """A list of scans, and the next person's, name the same few hundred days again and again."""
    return date_format(date.fromisoformat(iso), form)


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
