"""People under one plan version: in columns where the plan is known there, else one by one."""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from accounts.models import Programme
from credentialing import measures, queries, recorded
from credentialing.columns import judging, reading, table
from credentialing.columns.frame import Frame
from credentialing.models import PlanVersion
from logbook.models import Application


@dataclass(frozen=True)
class Cohort:
    programme: Programme
    version: PlanVersion

    @cached_property
    def plan(self) -> measures.Plan:
        return self.version.as_plan()

    @cached_property
    def clauses(self) -> list[uuid.UUID]:
        """The rows of the plan's clauses, in the plan's order."""
        rows = {c.ordinal: c.pk for gate in self.version.gates.all() for c in gate.clauses.all()}
        return [rows[clause.ordinal] for clause in self.plan.clauses]

    @cached_property
    def applications(self) -> dict[uuid.UUID, tuple[str, str]]:
        rows = Application.objects.filter(programme=self.programme).order_by("code")
        return {pk: (code, group) for pk, code, group in rows.values_list("pk", "code", "group")}

    @cached_property
    def in_columns(self) -> bool:
        return reading.knows(self.plan) and len(self.applications) <= reading.MOST_APPLICATIONS

    def rows(self, judged: Sequence[queries.Judged]) -> table.Rows:
        memberships = [one.membership_id for one in judged]
        return table.Rows(self.programme, self.version.pk, memberships, self.clauses)

    def ask(
        self,
        judged: Sequence[queries.Judged],
        as_of: measures.AsOf,
        *,
        ahead: Executor | None = None,
    ) -> reading.Asked | None:
        """Begin to read what `judge` needs of them; None where they are judged one by one."""
        if not self.in_columns:
            return None
        return reading.ask(
            self.programme,
            list(dict.fromkeys(one.person_id for one in judged)),
            plan=self.plan,
            as_of=as_of,
            applications=self.applications,
            ahead=ahead,
        )

    def judge(
        self,
        judged: Sequence[queries.Judged],
        as_of: measures.AsOf,
        frame: Frame | None = None,
    ) -> table.Table:
        """What the rows of these memberships should say as of the cut. Reads only."""
        if not self.in_columns:
            found = table.empty(len(judged), len(self.clauses))
            self._one_by_one(found, range(len(judged)), judged, as_of)
            return found
        if frame is None:
            frame = reading.frame_of(self.ask(judged, as_of))
        said = judging.judge(self.plan, frame, as_of=as_of)
        place: dict[uuid.UUID, int] = {}
        places = np.array([place.setdefault(j.person_id, len(place)) for j in judged], np.int64)
        found = table.of_judged(said, places)
        self._one_by_one(found, np.flatnonzero(said.odd[places]).tolist(), judged, as_of)
        return found

    def judge_all(
        self, batches: Sequence[Sequence[queries.Judged]], as_of: measures.AsOf
    ) -> Iterator[tuple[table.Rows, table.Table, table.Table]]:
        """(where the rows are, what is stored, what it should say) of each batch. What the next
        one needs is read while the present one is judged."""

        def ask(batch: Sequence[queries.Judged], ahead: Executor | None = None) -> tuple:
            # What is stored comes last: it is needed last.
            facts, rows = self.ask(batch, as_of, ahead=ahead), self.rows(batch)
            return facts, rows, rows.ask(ahead=ahead)

        # One thread: each of several would keep the memory of the widest answer it ever had.
        with ThreadPoolExecutor(1) as ahead:
            following = ask(batches[0], ahead) if batches else None
            for number, batch in enumerate(batches):
                facts, rows, asked = following
                frame = reading.frame_of(facts) if facts else None
                if number + 1 < len(batches):
                    following = ask(batches[number + 1], ahead)
                found = self.judge(batch, as_of, frame)
                yield rows, asked.table(), found

    def _one_by_one(
        self,
        found: table.Table,
        places: Sequence[int],
        judged: Sequence[queries.Judged],
        as_of: measures.AsOf,
    ) -> None:
        of_person: dict[uuid.UUID, list[int]] = {}
        for at in places:
            of_person.setdefault(judged[at].person_id, []).append(at)
        if not of_person:
            return
        asks = recorded.asked_by([self.plan])
        for person, history in queries.histories(self.programme, of_person, asks=asks):
            standing = measures.judge(self.plan, history, as_of=as_of)
            clauses = [says(clause) for clause in standing.clauses]
            for at in of_person[person]:
                table.put(found, at, standing, clauses)

    def differing(
        self, judged: Sequence[queries.Judged], stored: table.Table
    ) -> Iterator[tuple[uuid.UUID, uuid.UUID]]:
        """(membership, clause) of stored rows that are not what their own cut gives."""
        cuts: dict[tuple[int, int, int], list[int]] = {}
        for at in np.flatnonzero(stored.whole_there).tolist():
            cut = tuple(int(stored.whole[name][at]) for name in ("d", "d2", "n"))
            cuts.setdefault(cut, []).append(at)
        for cut, places in cuts.items():
            found = self.judge([judged[at] for at in places], table.as_of(*cut))
            wrong = found.differs(stored.some(places), leaving_out=table.PRESENT)
            for at, clause in zip(*(one.tolist() for one in np.nonzero(wrong)), strict=True):
                yield judged[places[at]].membership_id, self.clauses[clause]


def cohorts(
    programme: Programme, judged: Sequence[queries.Judged]
) -> Iterator[tuple[Cohort, list[queries.Judged]]]:
    """Those judged by each version, in a fixed order."""
    by_version: dict[uuid.UUID, list[queries.Judged]] = {}
    for one in judged:
        by_version.setdefault(one.version_id, []).append(one)
    versions = queries.versions(by_version)
    for pk in sorted(by_version):
        yield Cohort(programme, versions[pk]), by_version[pk]


def says(row: measures.ClauseStanding) -> Mapping[str, object]:
    """The columns of a stored row: Standing.SAYS."""
    value, dates = row.value, row.dates
    return {
        "state": row.state,
        "numerator": value.numerator,
        "denominator": value.denominator,
        "value": None if value.value is None else float(value.value),
        "lower": value.lower,
        "upper": value.upper,
        "left": row.left,
        "waiting": row.waiting,
        "returned": row.returned,
        "normal_over": row.normal_over,
        "claimed": row.claimed,
        "first_met_on": dates.first_met_on,
        "met_since": dates.met_since,
        "lost_on": dates.lost_on,
        "lost_because": dates.lost_because or "",
        "reached_with": dates.reached_with,
        "reached_signed_on": dates.reached_signed_on,
        "seen": value.seen,
        "skipped": row.skipped,
        "transferred": value.transferred,
        "people": row.people,
        "largest": value.largest,
        "window_ends_on": row.window_ends_on,
    }
