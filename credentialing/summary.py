"""A month in figures, for the minutes of a meeting: no names, small cells merged.

Of exams performed in the month as far as is known when it is asked; a month that is over still
changes while its scans are being read. The month's figures tell how the programme runs, not how
good anybody is.
"""

from __future__ import annotations

import collections
import datetime as dt
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.db.models import Count
from django.utils.translation import gettext as _

from accounts.models import Programme
from credentialing.queries import applications_of
from logbook import scanner_counts
from logbook.models import Exam, Scan
from review.models import Attestation, Discrepancy

LEAST = 5  # a cell of one to four could be somebody
AGREED_POSITIVE, AGREED_NEGATIVE = "agreed_positive", "agreed_negative"
DIFFERED, OPEN, NOT_COMPARED = "differed", "open", "not_compared"
OUTCOMES = (AGREED_POSITIVE, AGREED_NEGATIVE, DIFFERED, OPEN, NOT_COMPARED)
# From fine to coarse: the finest in which no cell is small is shown.
DETAIL = (
    tuple((one,) for one in OUTCOMES),
    ((AGREED_POSITIVE, AGREED_NEGATIVE), (DIFFERED, OPEN, NOT_COMPARED)),
    (OUTCOMES,),
)


def is_small(n: int) -> bool:
    return 0 < n < LEAST


def merged_bins(counts: Sequence[int]) -> list[tuple[range, int]]:
    """Neighbouring bins joined until none is small, unless all together are: then there is one."""
    bins = [(range(i, i + 1), n) for i, n in enumerate(counts)]
    while len(bins) > 1 and any(is_small(n) for _r, n in bins):
        at = next(i for i, (_r, n) in enumerate(bins) if is_small(n))
        # Toward the smaller neighbour that is enough, so that as little as possible is lost.
        beside = [i for i in (at - 1, at + 1) if 0 <= i < len(bins)]
        with_it = min(beside, key=lambda i: (is_small(bins[i][1] + bins[at][1]), bins[i][1], i))
        first = min(at, with_it)
        (a, n), (b, m) = bins[first], bins[first + 1]
        bins[first : first + 2] = [(range(a.start, b.stop), n + m)]
    return bins


@dataclass(frozen=True)
class Outcome:
    """What became of the readings of one application, or of several that were merged."""

    name: str
    cells: tuple[tuple[tuple[str, ...], int], ...]

    @property
    def total(self) -> int:
        return sum(n for _kinds, n in self.cells)


def outcomes(rows: Sequence[tuple[str, collections.Counter]], rest: str) -> list[Outcome]:
    """(name, outcome -> n) of each application, small ones merged into `rest`."""
    kept = [(name, c) for name, c in rows if c.total() >= LEAST]
    few = [c for _name, c in rows if is_small(c.total())]
    if few:
        together = sum(few, collections.Counter())
        if together.total() < LEAST and kept:
            smallest = min(kept, key=lambda row: row[1].total())
            kept.remove(smallest)
            together += smallest[1]
        kept.append((rest, together))
    return [Outcome(name, _cells(counts)) for name, counts in kept]


def _cells(counts: collections.Counter) -> tuple[tuple[tuple[str, ...], int], ...]:
    for detail in DETAIL:
        cells = tuple((kinds, sum(counts[one] for one in kinds)) for kinds in detail)
        if not any(is_small(n) for _kinds, n in cells):
            return cells
    return cells


@dataclass(frozen=True)
class Month:
    """The figures of one month. None: too few to say."""

    first: dt.date
    last: dt.date
    exams: int
    scans: dict[str, int]
    read: int
    median_days: int | None
    most_days: int | None  # within which four of five were read
    longest_wait: int | None
    readers: int
    quality: list[tuple[range, int]]
    outcomes: list[Outcome]
    urgent: int
    urgent_told: int
    urgent_seen: int
    logged: int
    performed: int | None

    @property
    def waiting(self) -> int:
        return self.scans.get("submitted", 0)


def month_of(programme: Programme, month: dt.date, *, today: dt.date) -> Month:
    """Any day of the month names it. A fixed number of queries."""
    first = month.replace(day=1)
    last = (first + dt.timedelta(days=32)).replace(day=1) - dt.timedelta(days=1)
    performed = {"performed_on__gte": first, "performed_on__lte": last}
    scans = dict(
        Scan.objects.filter(programme=programme, **performed)
        .exclude(state="withdrawn")
        .values_list("state")
        .annotate(Count("pk"))
        .order_by()
    )
    rows = list(
        Attestation.objects.current()
        .filter(programme=programme, **performed)
        .values_list(
            "application__code", "received_on", "signed_on", "quality", "reader_id", "in_read",
            "pair", "agrees", "determinate", "first_reader_call", "ordinal", "scan_id",
        )
    )  # fmt: skip
    first_signed = dict(
        Attestation.objects.filter(programme=programme, ordinal=1, **performed).values_list(
            "scan_id", "signed_on"
        )
    )
    days = sorted((first_signed[row[11]] - row[1]).days for row in rows)
    names = applications_of(programme)
    counted: dict[str, collections.Counter] = {code: collections.Counter() for code in names}
    for code, _rec, _sig, _q, _reader, in_read, pair, agrees, determinate, call, *_rest in rows:
        if in_read:
            counted[code][_outcome(pair, agrees, determinate, call)] += 1
    urgent = Discrepancy.objects.filter(
        programme=programme,
        attestation__performed_on__gte=first,
        attestation__performed_on__lte=last,
    ).values_list("told", "acknowledged_at")
    told = list(urgent)
    oldest = (
        Scan.objects.filter(programme=programme, state="submitted", **performed)
        .order_by("exam__first_received_at")
        .values_list("exam__first_received_at", flat=True)
        .first()
    )
    places = scanner_counts.logged_of_performed(programme, [first])
    known = [one for one in places if one.performed is not None]
    return Month(
        first=first,
        last=last,
        exams=Exam.objects.filter(
            programme=programme,
            revision__performed_on__gte=first,
            revision__performed_on__lte=last,
        )
        .exclude(state="withdrawn")
        .count(),
        scans=scans,
        read=len(rows),
        median_days=statistics.median_low(days) if len(days) >= LEAST else None,
        most_days=days[-(-4 * len(days) // 5) - 1] if len(days) >= LEAST else None,
        longest_wait=(today - programme.local_date(oldest)).days if oldest else None,
        readers=len({row[4] for row in rows}),
        quality=merged_bins([sum(row[3] == mark for row in rows) for mark in range(1, 6)]),
        outcomes=outcomes([(names[code], c) for code, c in counted.items()], _("the others")),
        urgent=len(told),
        urgent_told=sum(bool(said) for said, _seen in told),
        urgent_seen=sum(seen is not None for _said, seen in told),
        logged=sum(one.logged for one in known),
        performed=sum(one.performed for one in known) if known else None,
    )


def _outcome(pair: bool, agrees: bool, determinate: bool, call: str) -> str:
    if not pair:
        return NOT_COMPARED
    if not determinate:
        return OPEN
    if not agrees:
        return DIFFERED
    return AGREED_NEGATIVE if call == "negative" else AGREED_POSITIVE


def words_of(kinds: Iterable[str]) -> str:
    kinds = tuple(kinds)
    named = {
        (AGREED_POSITIVE,): _("agreed, with a finding"),
        (AGREED_NEGATIVE,): _("agreed, none"),
        (DIFFERED,): _("differed"),
        (OPEN,): _("the trainee left it open"),
        (NOT_COMPARED,): _("the reader left it open"),
        (AGREED_POSITIVE, AGREED_NEGATIVE): _("agreed"),
        (DIFFERED, OPEN, NOT_COMPARED): _("differed or left open"),
        OUTCOMES: _("read"),
    }
    return named[kinds]


def table(month: Month) -> list[tuple[str, str, str]]:
    """(section, what, value) in the page's order: the page and its file say the same."""
    few = _("too few to say")

    def days(n: int | None) -> str:
        return few if n is None else str(n)

    rows = [
        (_("Exams"), _("received"), str(month.exams)),
        (_("Scans"), _("read and signed"), str(month.read)),
        (_("Scans"), _("waiting to be read"), str(month.waiting)),
        (_("Scans"), _("returned"), str(month.scans.get("returned", 0))),
        (_("Scans"), _("closed without a reading"), str(month.scans.get("closed", 0))),
        (_("Scans"), _("set aside"), str(month.scans.get("set_aside", 0))),
        (_("Days until read"), _("half within"), days(month.median_days)),
        (_("Days until read"), _("four of five within"), days(month.most_days)),
    ]
    if month.longest_wait is not None:
        rows.append((_("Days until read"), _("longest still waiting"), str(month.longest_wait)))
    rows.append((_("Readers"), _("who signed"), str(month.readers)))
    for bins, n in month.quality:
        first, last = bins.start + 1, bins.stop
        text = f"{first}" if first == last else f"{first}-{last}"
        rows.append((_("Image quality"), text, str(n)))
    for one in month.outcomes:
        rows += [(one.name, words_of(kinds), str(n)) for kinds, n in one.cells]
    rows += [
        (_("Urgent disagreements"), _("found"), str(month.urgent)),
        (_("Urgent disagreements"), _("somebody was telephoned"), str(month.urgent_told)),
        (_("Urgent disagreements"), _("seen by the trainee"), str(month.urgent_seen)),
    ]
    if month.performed is not None:
        rows.append(
            (
                _("Logged of performed"),
                _("where the machines' counts are known"),
                _("%(logged)s of %(performed)s")
                % {"logged": month.logged, "performed": month.performed},
            )
        )
    return rows
