"""The standing at the size of a network, beside the bare SQL that reads the same rows."""

from __future__ import annotations

import datetime as dt
import os
import statistics
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from typing import Any
from urllib.parse import quote

from django.conf import settings
from django.db import connection, transaction

from accounts.benching import Measure, bench, scratch_database
from accounts.models import Programme
from credentialing import queries
from credentialing.actions import standing
from credentialing.columns import reading
from credentialing.columns.cohort import cohorts
from credentialing.models import PlanStanding, Standing
from credentialing.months import minus_months
from credentialing.signature_bench import signature_to_page
from credentialing.standing_bench_data import Network, network
from review.models import Attestation

FULL, SMALL = 10_000, 0.01  # trainees, each with two hundred attested scans; the usual share
ON_SQLITE = 200
UNTIL = dt.date(2026, 11, 20)
AT = dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)
TIMES, TOUCHED = 5, 100
ATTESTATION, STANDING = Attestation._meta.db_table, Standing._meta.db_table

# The whole numbers that the fixed clauses are made of, as one GROUP BY.
GROUPED = f"""
SELECT trainee_id, application_id,
  count(*) FILTER (WHERE credited AND performed_on > %s AND reader_call <> 'negative'),
  count(*) FILTER (WHERE credited AND performed_on > %s AND reader_call = 'negative'),
  count(*) FILTER (WHERE credited AND reader_call = 'positive'),
  count(*) FILTER (WHERE in_read),
  count(*) FILTER (WHERE in_read AND first_quality >= 3),
  count(*) FILTER (WHERE in_read AND pair),
  count(*) FILTER (WHERE in_read AND agrees),
  count(*) FILTER (WHERE in_read AND pair AND first_reader_call = 'positive'),
  count(*) FILTER (WHERE in_read AND pair AND first_reader_call = 'negative'),
  count(*) FILTER (WHERE in_read AND first_quality = 1),
  count(*) FILTER (WHERE in_read AND first_quality = 2),
  count(*) FILTER (WHERE in_read AND first_quality = 3),
  count(*) FILTER (WHERE in_read AND first_quality = 4),
  count(*) FILTER (WHERE in_read AND first_quality = 5)
FROM {ATTESTATION}
WHERE programme_id = %s AND superseded_on IS NULL {{of}}
GROUP BY trainee_id, application_id
"""  # noqa: S608 - names of our own

# The same rows, each as it is, in order.
ROWS = f"""
SELECT trainee_id, application_id, performed_on, signed_on, superseded_on, credited, in_read,
  reader_call, first_quality, pair, agrees
FROM {ATTESTATION} WHERE programme_id = %s {{of}}
ORDER BY trainee_id, application_id, performed_on
"""  # noqa: S608 - names of our own


@bench("standing")
def standings(size: float = SMALL) -> Iterator[Measure]:
    """Everybody's standing at 10,000 trainees times --size, beside the bare reads of the rows."""
    on_sqlite = connection.vendor == "sqlite"
    trainees = ON_SQLITE if on_sqlite else max(TOUCHED, round(FULL * size))
    with scratch_database():
        tenth = None
        if not on_sqlite and trainees >= 10 * TOUCHED:
            tenth = Run(network(code="tenth", trainees=trainees // 10, until=UNTIL))
        run = Run(network(code="network", trainees=trainees, until=UNTIL))
        yield from run.all()
        if tenth is not None:
            yield from growth(tenth, run)
        if not on_sqlite:
            yield signature_to_page(run.programme, address())


class Run:
    """One network, its standings filled once, and what is measured on them."""

    def __init__(self, its: Network) -> None:
        self.its, self.programme, self.n = its, its.programme, its.scans
        self.own = self.programme.pk if connection.vendor != "sqlite" else self.programme.pk.hex
        self.first = seconds(self.recompute)
        tidy()

    def all(self) -> Iterator[Measure]:
        yield from self.everybody()
        if connection.vendor != "sqlite":
            for people in (1000, 10):
                if people * 2 <= len(self.its.trainees):
                    yield self.incremental(people)

    def everybody(self) -> Iterator[Measure]:
        before = places()
        ours, base = beside(self.unchanged, self.grouped)
        if places() != before:
            raise RuntimeError("a run in which nothing changed has written rows")
        counted = f"{len(self.its.trainees)} trainees; the first run took {self.first:.2f} s"
        yield self.measure("unchanged", ours, base, counted)
        unchanged = ours
        ours, base = beside(self.judged, self.streamed, times=3)
        yield self.measure("timeline", ours, base, "met, lost and why, reached, day by day")
        ours = statistics.median(self.rewritten() for _ in range(3))
        yield self.measure("rewrite", ours, unchanged, "every row written, beside `unchanged`")
        if connection.vendor != "sqlite":
            yield Measure(
                "standing", "peak-memory", memory(self.programme), 500, "MB", self.n,
                "of a process that computes everybody; the base is the most allowed",
            )  # fmt: skip

    def incremental(self, people: int) -> Measure:
        touched = self.its.trainees[::2][:people]
        whole = people < 100

        query, params = (ROWS, [self.own]) if whole else (GROUPED, self.grouping())
        base = statistics.median(
            seconds(
                lambda: rows_of(query.format(of="AND trainee_id = ANY(%s)"), [*params, touched])
            )
            for _ in range(TIMES)
        )
        note = "all their rows written" if whole else "one gate of each written"
        return self.measure(
            f"incremental-{people}",
            statistics.median(self.touched(touched, every=whole) for _ in range(TIMES)),
            base,
            note,
        )

    def touched(self, people: Sequence[uuid.UUID], *, every: bool) -> float:
        self.stale(people, every=every)
        return seconds(lambda: self.recompute(people, changed=True))

    def rows_read(self, people: Sequence[uuid.UUID]) -> int:
        """Rows that the scans of the facts' query return, as the database counts them."""
        as_of = queries.now(self.programme, AT)
        judged = queries.judged_in(self.programme, on=as_of.d, seq=as_of.n, people=people)
        ((cohort, _everybody),) = cohorts(self.programme, judged)
        query, params, _kinds = reading.facts_query(
            self.programme, people, as_of, list(cohort.applications), asks=frozenset()
        )
        ((plan,),) = rows_of(f"EXPLAIN (ANALYZE, FORMAT JSON) {query}", params)
        return sum(scanned(plan[0]["Plan"]))

    def measure(self, case: str, ours: float, base: float, note: str) -> Measure:
        return Measure("standing", case, ours * 1000, base * 1000, "ms", self.n, note)

    # --- what is timed

    def recompute(self, people: Sequence[uuid.UUID] | None = None, *, changed: bool = False):
        done = standing.recompute(programme=self.programme, people=people, at=AT)
        if changed and not done.changed:
            raise RuntimeError("nothing was written where something had to be")

    def unchanged(self) -> None:
        if standing.recompute(programme=self.programme, at=AT).changed:
            raise RuntimeError("something was written where nothing had changed")

    @transaction.atomic
    def judged(self) -> None:
        as_of = queries.now(self.programme, AT)
        for cohort, everybody in cohorts(
            self.programme, queries.judged_in(self.programme, on=as_of.d, seq=as_of.n)
        ):
            for batch in queries.chunks(everybody, standing.CHUNK):
                cohort.judge(batch, as_of)

    def rewritten(self) -> float:
        self.stale(self.its.trainees, every=True)
        tidy()
        return seconds(lambda: self.recompute(changed=True))

    def stale(self, people: Sequence[uuid.UUID], *, every: bool) -> None:
        """Make stored rows say what is not so: all of these people's, or those of one gate."""
        rows = Standing.objects.filter(programme=self.programme)
        wholes = PlanStanding.objects.filter(programme=self.programme)
        if len(people) < len(self.its.trainees):
            rows = rows.filter(membership__person__in=people)
            wholes = wholes.filter(membership__person__in=people)
        if not every:
            rows = rows.filter(clause__gate__ordinal=1)
        rows.update(numerator=7777)
        wholes.update(n=0)

    # --- the bare base

    def grouping(self) -> list[Any]:
        start = minus_months(AT.date(), 12)
        return [start, start, self.own]

    def grouped(self) -> None:
        rows_of(GROUPED.format(of=""), self.grouping())

    @transaction.atomic
    def streamed(self) -> None:
        read = 0
        with connection.chunked_cursor() as cursor:
            cursor.execute(ROWS.format(of=""), [self.own])
            while rows := cursor.fetchmany(5000):
                read += len(rows)
        if read < self.n:
            raise RuntimeError(f"{read} of {self.n} rows")


def growth(tenth: Run, run: Run) -> Iterator[Measure]:
    """A hundred people touched, beside the same in a programme of a tenth of the people."""
    times, rows = [], []
    for one in (run, tenth):
        touched = one.its.trainees[:TOUCHED]
        times.append(statistics.median(one.touched(touched, every=True) for _ in range(TIMES)))
        rows.append(one.rows_read(touched))
    yield Measure(
        "standing", f"growth-{TOUCHED}-time", times[0] * 1000, times[1] * 1000, "ms", run.n,
        f"{len(run.its.trainees)} trainees beside {len(tenth.its.trainees)}",
    )  # fmt: skip
    yield Measure(
        "standing", f"growth-{TOUCHED}-rows", rows[0], rows[1], "rows", run.n,
        "read by the facts' query, as EXPLAIN ANALYZE counts them",
    )  # fmt: skip


# --- help -----------------------------------------------------------------------------------------


def rows_of(query: str, params: Sequence[Any]) -> list[tuple]:
    with connection.cursor() as cursor:
        cursor.execute(query, params)
        return cursor.fetchall()


def scanned(node: dict[str, Any]) -> Iterator[int]:
    if "Relation Name" in node:
        yield round(node["Actual Rows"] * node["Actual Loops"])
    for child in node.get("Plans", ()):
        yield from scanned(child)


def seconds(do: Callable[[], object]) -> float:
    started = time.perf_counter()
    do()
    return time.perf_counter() - started


def beside(
    ours: Callable[[], object], base: Callable[[], object], *, times: int = TIMES
) -> tuple[float, float]:
    """Medians, the two taken in turn so that a change of the machine's load meets both."""
    taken: tuple[list[float], list[float]] = ([], [])
    for turn in range(times + 1):
        for of, do in zip(taken, (ours, base), strict=True):
            second = seconds(do)
            if turn:
                of.append(second)
    return statistics.median(taken[0]), statistics.median(taken[1])


def places() -> Any:
    """Where each stored row lies; a row that is written again lies elsewhere."""
    if connection.vendor == "sqlite":
        return rows_of(f"SELECT id, d, d2, n FROM {STANDING} ORDER BY id", [])  # noqa: S608
    return rows_of(f"SELECT md5(string_agg(ctid::text, ' ' ORDER BY id)) FROM {STANDING}", [])  # noqa: S608


def tidy() -> None:
    """What autovacuum does in its own time, before the clock runs."""
    if connection.vendor != "sqlite":
        with connection.cursor() as cursor:
            for model in (Standing, PlanStanding):
                cursor.execute(f'VACUUM ANALYZE "{model._meta.db_table}"')


def address() -> str:
    """The scratch database's, for processes of their own."""
    its = connection.settings_dict
    place = f"{quote(its['HOST'] or 'localhost', safe='')}:{its['PORT'] or 5432}"
    who = f"{quote(its['USER'])}:{quote(its['PASSWORD'])}"
    return f"postgres://{who}@{place}/{quote(its['NAME'])}"


def memory(programme: Programme) -> float:
    """The most that a process of its own holds while it computes everybody, in MB."""
    url = address()
    told = subprocess.run(  # noqa: S603 - our own command
        [sys.executable, "manage.py", "shell", "-v", "0", "-c", JOB.format(pk=programme.pk, at=AT)],
        env=os.environ | {"DATABASE_URL": url, "DATABASE_OWNER_URL": url},
        cwd=settings.BASE_DIR,
        capture_output=True,
        text=True,
        check=True,
    )
    return int(told.stdout.split()[-1]) / 1024


JOB = """
import datetime, pathlib
from accounts.models import Programme
from credentialing.actions import standing
at = datetime.datetime.fromisoformat("{at}")
standing.recompute(programme=Programme.objects.get(pk="{pk}"), at=at)
# Its own most: what getrusage calls so begins with what the process that started it held.
said = pathlib.Path("/proc/self/status").read_text().splitlines()
print(*(line.split()[1] for line in said if line.startswith("VmHWM")))
"""
