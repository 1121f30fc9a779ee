"""What `measures.judge` says, for a chunk of people at once. Pure numpy, no Django.

The definitions are those of `credentialing.measures`, which stays the law; this says for which
clauses it knows them (`knows`) and is held equal on every field. Whoever asks for anything else
is judged one by one.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, fields

import numpy as np

from credentialing import measures
from credentialing.columns.frame import NEVER, NONE, Days, Flags, Frame, Numbers
from credentialing.columns.runs import Runs, Said, Story, on, together
from credentialing.columns.tallies import Tally, Value, exams_of, tally_of, value_of
from credentialing.columns.views import Chunk, View
from credentialing.measures.plans import (
    AT_LEAST,
    COUNTS,
    EXAM,
    MEDIANS,
    MONTHS,
    OF_CREDITED,
    ONCE,
    SCAN,
    Clause,
    Gate,
    Plan,
)
from credentialing.measures.timeline import only_grows
from credentialing.months import plus_months, whole_months

# Everything that is read here. What is not listed is not known: a clause that says it is judged
# one by one, and so is everybody as soon as a history holds more than this.
MEASURES = frozenset(
    {
        "credited", "positive", "negative", "with_finding", "supervised", "adequate", "read",
        "adequate_share", "agreement", "determinate", "quality", "elapsed_months",
    }
)  # fmt: skip
READ = {
    Clause: frozenset(
        {
            "ordinal", "measure", "bar", "direction", "application", "group", "unit",
            "within_months", "mode", "normal_cap", "finding", "cut", "min_n", "min_each",
            "text", "source", "transfer_share",
        }
    ),
    Gate: frozenset({"ordinal", "clauses", "combine", "title"}),
    Plan: frozenset({"gates", "code", "name", "kind"}),
    measures.Fact: frozenset(
        {
            "exam", "scan", "application", "ordinal", "performed_on", "performed_at",
            "received_on", "signed_on", "seq", "superseded_on", "superseded_seq", "credited",
            "in_read", "quality", "reader_call", "first_call", "first_quality", "trainee_call",
            "pair", "agrees", "determinate", "supervision", "reader", "findings", "id",
            "trainee_answer", "first_answer", "setting", "patient", "received_seq",
        }
    ),
    # What the clauses that are known never ask; who has credit from elsewhere is judged alone.
    measures.History: frozenset(
        {
            "facts", "confirmations", "waiting", "groups", "first_received_on", "ended",
            "decisions", "assessments", "documents", "procedures", "transfers", "remediations",
            "references", "returns",
        }
    ),
}  # fmt: skip


def unread(*types: type) -> list[str]:
    """Fields of these types that nothing here reads."""
    return sorted(
        f"{one.__name__}.{field.name}"
        for one in types
        for field in fields(one)
        if field.name not in READ[one]
    )


def knows(plan: Plan) -> bool:
    """Whether everything that this plan asks, and all of what a history holds, is read here."""
    return (
        not unread(measures.Fact, measures.History)
        and _plain(plan)
        and all(_plain(gate) and 1 <= gate.needs <= len(gate.clauses) for gate in plan.gates)
        and all(_knows(clause) for clause in plan.clauses)
    )


def _knows(clause: Clause) -> bool:
    return (
        clause.measure in MEASURES
        and clause.unit in (SCAN, EXAM)
        and _plain(clause)
        # `once` of what can fall again asks anew after each correction.
        and (clause.judged == measures.STILL or only_grows(clause) or clause.measure in MONTHS)
        and (clause.unit != EXAM or clause.measure in OF_CREDITED)
    )


def _plain(value: Clause | Gate | Plan) -> bool:
    """Whether whatever is not read here says nothing."""
    return all(
        field.name in READ[type(value)] or getattr(value, field.name) == field.default
        for field in fields(value)
    )


STATES = (measures.NOT_MET, measures.NOT_YET_KNOWN, measures.MET)
CAUSES = ("", "recency", "superseded", "new_readings", "time", "drift", "started_again")


@dataclass(frozen=True)
class Column:
    """One clause of everybody; an array each, by person. state and lost_because: positions in
    STATES and CAUSES. denominator, left: -1 for none; value, lower, upper: NaN for none; days:
    NONE for none."""

    state: Numbers
    numerator: Numbers
    denominator: Numbers
    value: Numbers
    lower: Numbers
    upper: Numbers
    left: Numbers
    waiting: Numbers
    returned: Numbers
    normal_over: Numbers
    claimed: Numbers
    first_met_on: Days
    met_since: Days
    lost_on: Days
    lost_because: Numbers
    reached_with: Days
    reached_signed_on: Days


@dataclass(frozen=True)
class Whole:
    """A plan of everybody."""

    met: Flags
    first_met_on: Days
    met_since: Days
    lost_on: Days
    waiting: Numbers
    returned: Numbers


@dataclass(frozen=True)
class Judged:
    """clauses: in the plan's order. odd: people whose rows are so unusual that they have to be
    judged one by one; what stands here for them means nothing."""

    whole: Whole
    clauses: tuple[Column, ...]
    odd: Flags


def judge(plan: Plan, frame: Frame, *, as_of: measures.AsOf) -> Judged:
    """Where a chunk of people is against one plan that `knows` says is known."""
    chunk = Chunk(frame, as_of)
    columns, gates = [], []
    for gate in plan.gates:
        runs = []
        for clause in gate.clauses:
            column, held = _judge_clause(clause, chunk)
            columns.append(column)
            runs.append(held)
        gates.append(together(runs, gate.needs))
    said = Said.of(together(gates, len(gates)), frame.people)
    waiting = frame.waiting
    whole = Whole(
        said.since != NONE,
        said.first,
        said.since,
        said.lost,
        np.bincount(waiting.person[~waiting.returned], minlength=frame.people),
        np.bincount(waiting.person[waiting.returned], minlength=frame.people),
    )
    return Judged(whole, tuple(columns), chunk.odd)


# --- one clause of everybody --------------------------------------------------------------------


def _judge_clause(clause: Clause, chunk: Chunk) -> tuple[Column, Runs]:
    if clause.measure in MONTHS:
        return _judge_months(clause, chunk)
    view = chunk.view(clause)
    tally = tally_of(clause, view)
    if clause.measure == "supervised":
        there = view.confirmed != NEVER
        tally = Tally(tally.uses & there, np.where(there, tally.words, 0), tally.holds)
    counting = Counting(clause, view, tally)
    runs, words = counting.signed()
    said = Said.of(runs, chunk.frame.people)
    reached, reached_signed = counting.reached(said)
    value = value_of(clause, view, tally, words)
    return _column(clause, chunk, view, said, value, reached, reached_signed), runs


class Counting:
    """One clause over the rows of its view."""

    def __init__(self, clause: Clause, view: View, tally: Tally) -> None:
        self.clause, self.view, self.tally = clause, view, tally
        self.in_exams = clause.unit == EXAM and clause.measure in OF_CREDITED

    def signed(self) -> tuple[Runs, Numbers]:
        """When the clause was known to hold, and everybody's counts at the end."""
        story, words, _rows = self._along(self.view.by_signature(self.clause))
        return story.runs(self.tally.holds(words), causes=True), words[story.last_event]

    def _along(self, story: Story) -> tuple[Story, Numbers, Numbers]:
        """(what counts, everybody's counts after each event, the row behind each place)."""
        weights, rows = self.tally.words, np.arange(story.rows)
        if self.in_exams:
            story, weights, rows = exams_of(self.view, self.tally, story)
        return story, story.words(weights), rows

    def reached(self, said: Said) -> tuple[Days, Days]:
        """The day the clause came to hold by performance, and when the scan that made it so was
        signed; NONE where it does not hold."""
        story, words, rows = self._along(self.view.by_performance(self.clause))
        held = self.tally.holds(words)
        by_day = Said.of(story.runs(held, causes=False), len(story.begins))
        reached = by_day.first if self.clause.judged == ONCE else by_day.since
        reached = np.where(said.since != NONE, reached, NONE)
        signed = self._crossing(story, held, rows, reached)
        return self._from_its_own_first_day(story, reached), signed

    def _from_its_own_first_day(self, story: Story, reached: Days) -> Days:
        """Where nothing at all is enough, it holds from the first day of the clause's own rows."""
        if not self.tally.holds(np.zeros(1, np.int64))[0]:
            return reached
        view, chunk = self.view, self.view.chunk
        own = np.minimum(chunk.begins, chunk.d)
        rows = np.flatnonzero(self.tally.uses & view.kept)
        person, days = view.person[rows], view.days[rows]
        np.minimum.at(own, person, days)
        return np.where(reached == story.begins, own, reached)

    def _crossing(self, story: Story, held: Flags, rows: Numbers, reached: Days) -> Days:
        """When the scan was signed with which the count, in the order performed, came to hold."""
        people = np.flatnonzero(reached)
        comes = story.first(on(people, reached[people]), 1)
        asks = np.flatnonzero(~held[comes - 1])  # where nothing comes, that is the day's end
        holds = np.flatnonzero(held)
        first = holds[np.searchsorted(holds, comes[asks])]
        signed = np.zeros(len(reached), np.int64)
        signed[people[asks]] = self._first_signed(rows[story.place[first]])
        return signed

    def _first_signed(self, rows: Numbers) -> Days:
        """When the row was signed, or the first of those before it that say the same of its scan
        to this clause, one right after the other."""
        view = self.view
        signed = view.signed[rows]
        for at in np.flatnonzero(view.corrects[rows]).tolist():  # few
            row = rows[at]
            while (
                view.corrects[row]
                and view.replaced[row - 1] == view.signed[row]
                and self._says(row) == self._says(row - 1)
            ):
                row -= 1
            signed[at] = view.signed[row]
        return signed

    def _says(self, row: int) -> tuple[int, ...]:
        """What of a row this clause uses."""
        view, word = self.view, self.tally.words[row]
        if self.clause.measure in MEDIANS:
            return word, view.first_quality[row]
        if self.clause.measure in ("agreement", "determinate"):
            return word, view.first_call[row]
        return (word,)


def _judge_months(clause: Clause, chunk: Chunk) -> tuple[Column, Runs]:
    people = chunk.frame.people
    days, back = np.unique(
        np.where(chunk.received, chunk.frame.first_received, NONE), return_inverse=True
    )
    bar, end = int(clause.bar), chunk.as_of.d
    months, turn = np.zeros(len(days), np.int64), np.full(len(days), NEVER, np.int64)
    for at, day in enumerate(days.tolist()):
        if day == NONE:
            continue
        first = dt.date.fromordinal(day)
        months[at] = whole_months(first, end)
        turn[at] = plus_months(first, bar if clause.direction == AT_LEAST else bar + 1).toordinal()
    months, turn = months[back], turn[back]
    everybody, none = np.arange(people), np.zeros(0, np.int64)
    turned = np.flatnonzero(turn <= chunk.d)
    if clause.direction == AT_LEAST:
        runs = Runs(turned, turn[turned], none, none, np.zeros(0, np.int8))
    else:
        cause = np.full(len(turned), CAUSES.index("time"), np.int8)
        runs = Runs(everybody, chunk.begins, turned, turn[turned], cause)
    said = Said.of(runs, people)
    value = Value(months, None, months.astype(float), None, None, np.zeros(people, np.int64))
    column = _column(clause, chunk, None, said, value, said.since, np.zeros(people, np.int64))
    return column, runs


def _column(
    clause: Clause,
    chunk: Chunk,
    view: View | None,
    said: Said,
    value: Value,
    reached: Days,
    reached_signed: Days,
) -> Column:
    people = chunk.frame.people
    met = said.since != NONE
    unknown = np.isnan(value.value)
    nothing, no_range = np.full(people, -1), np.full(people, np.nan)
    left = nothing
    if clause.direction == AT_LEAST and clause.measure in (*COUNTS, *MONTHS):
        left = np.where(met, 0, np.maximum(0, int(clause.bar) - value.numerator))
    waiting, returned = _waiting(clause, chunk, view)
    return Column(
        state=np.where(met, 2, unknown).astype(np.int8),
        numerator=value.numerator,
        denominator=nothing if value.denominator is None else value.denominator,
        value=value.value,
        lower=no_range if value.lower is None else value.lower,
        upper=no_range if value.upper is None else value.upper,
        left=left,
        waiting=waiting,
        returned=returned,
        normal_over=value.over,
        claimed=_claimed(clause, chunk, view),
        first_met_on=said.first,
        met_since=said.since,
        lost_on=said.lost,
        lost_because=said.because,
        reached_with=reached,
        reached_signed_on=reached_signed,
    )


def _window_start(clause: Clause, chunk: Chunk) -> int:
    if clause.within_months is None:
        return NONE
    return plus_months(chunk.as_of.d, -clause.within_months).toordinal()


def _waiting(clause: Clause, chunk: Chunk, view: View | None) -> tuple[Numbers, Numbers]:
    people, waiting = chunk.frame.people, chunk.frame.waiting
    if view is None or not len(waiting):
        return np.zeros(people, np.int64), np.zeros(people, np.int64)
    key = (clause.within_months, clause.unit)
    if key not in view.waiting:
        mine = np.isin(waiting.application, view.covered)
        mine &= waiting.performed > _window_start(clause, chunk)
        found = []
        for part in (mine & ~waiting.returned, mine & waiting.returned):
            person = waiting.person[part]
            if clause.unit == EXAM:
                person = person[np.unique(waiting.exam[part], return_index=True)[1]]
            found.append(np.bincount(person, minlength=people))
        view.waiting[key] = found[0], found[1]
    return view.waiting[key]


def _claimed(clause: Clause, chunk: Chunk, view: View | None) -> Numbers:
    if view is None or clause.measure != "supervised":
        return np.zeros(chunk.frame.people, np.int64)
    rows = np.flatnonzero(
        view.kept
        & view.credited
        & view.direct
        & (view.days > _window_start(clause, chunk))
        & (view.confirmed == NEVER)
    )
    if clause.unit == EXAM:
        rows = rows[np.unique(view.exam[rows], return_index=True)[1]]
    return np.bincount(view.person[rows], minlength=chunk.frame.people)
