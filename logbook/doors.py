"""Where a floor above may keep a door shut: before an exam is edited, before it is withdrawn.

The logbook knows nothing of readers. ``review`` registers its checks when it starts:

    doors.before_edit(check_not_held)
    doors.before_withdrawal(check_not_revealed)

and the page on which it shows an exam with what came of it: ``doors.show_exams_at("review:exam")``.

A check takes the locked exam and ``at`` and raises ``accounts.errors.Refused`` with a sentence.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from logbook.models import Exam

Check = Callable[["Exam", dt.datetime], None]

_edit: list[Check] = []
_withdrawal: list[Check] = []
_pages: list[str] = ["logbook:exam"]


def before_edit(check: Check) -> Check:
    """Registers a check of every edit and every further submission; usable as a decorator."""
    if check not in _edit:
        _edit.append(check)
    return check


def before_withdrawal(check: Check) -> Check:
    """Registers a check of every withdrawal; usable as a decorator."""
    if check not in _withdrawal:
        _withdrawal.append(check)
    return check


def check_edit(exam: Exam, at: dt.datetime) -> None:
    for check in _edit:
        check(exam, at)


def check_withdrawal(exam: Exam, at: dt.datetime) -> None:
    for check in _withdrawal:
        check(exam, at)


def show_exams_at(url_name: str) -> None:
    """Registers where a list leads to: the page of the highest floor that shows an exam."""
    if url_name not in _pages:
        _pages.append(url_name)


def exam_page() -> str:
    """The address' name of an exam's page; it takes the programme's code and the exam."""
    return _pages[-1]
