"""A chunk as of a cut, and the rows that a clause looks at; what clauses share is sorted once."""

from __future__ import annotations

import datetime as dt
from functools import cached_property, lru_cache

import numpy as np

from credentialing import measures
from credentialing.columns.frame import NEVER, NONE, Days, Flags, Frame, Numbers
from credentialing.columns.runs import MOST, Story, events_of
from credentialing.measures.plans import Clause
from credentialing.months import leaves_window


class Chunk:
    """A frame as of a cut, with what its clauses have in common sorted out once."""

    def __init__(self, frame: Frame, as_of: measures.AsOf) -> None:
        self.frame, self.as_of = frame, as_of
        self.d, self.d2 = as_of.d.toordinal(), as_of.d2.toordinal()
        first = frame.first_received
        self.received = (first != NONE) & (first <= self.d2)
        self.begins = np.where(self.received, first, self.d2)
        self._views: dict[tuple[int, ...], View] = {}

    def view(self, clause: Clause) -> View:
        covered = tuple(self.frame.covered(clause.application, clause.group))
        if covered not in self._views:
            self._views[covered] = View(self, covered)
        return self._views[covered]

    @cached_property
    def odd(self) -> Flags:
        """Signed before performed, an exam of two days, or more scans than a word can count."""
        facts = self.frame.facts
        odd = np.bincount(facts.person, minlength=self.frame.people) > MOST
        if self.frame.alone is not None:
            odd |= self.frame.alone
        odd[facts.person[facts.performed > facts.signed]] = True
        if facts.exam is not None and len(facts):
            order = np.argsort(facts.exam, kind="stable")
            same = facts.exam[order[1:]] == facts.exam[order[:-1]]
            other_day = facts.performed[order[1:]] != facts.performed[order[:-1]]
            odd[facts.person[order[1:]][same & other_day]] = True
        return odd


class View:
    """The rows of some applications, without attestations that were replaced on the day they were
    signed: those never stood at the end of a day."""

    def __init__(self, chunk: Chunk, covered: tuple[int, ...]) -> None:
        self.chunk, facts = chunk, chunk.frame.facts
        stood = facts.replaced > facts.signed
        if len(covered) == 1:
            mine = stood & (facts.application == covered[0])
        elif len(covered) == len(chunk.frame.applications):
            mine = stood
        else:
            mine = stood & np.isin(facts.application, covered)
        self.covered, self.rows = covered, np.flatnonzero(mine)
        self._stories: dict[tuple[object, ...], Story] = {}
        self.waiting: dict[tuple[object, ...], tuple[Numbers, Numbers]] = {}

    def __getattr__(self, name: str) -> Numbers:
        """A column of the facts at these rows, taken when first asked for."""
        values = getattr(self.chunk.frame.facts, name).take(self.rows)
        setattr(self, name, values)
        return values

    @cached_property
    def days(self) -> Days:
        return self.performed

    @cached_property
    def kept(self) -> Flags:
        return self.replaced == NEVER

    @cached_property
    def corrects(self) -> Flags:
        """Not the first of its scan that stood."""
        scan = np.cumsum(self.chunk.frame.facts.first)[self.rows]
        corrects = np.zeros(len(scan), bool)
        corrects[1:] = scan[1:] == scan[:-1]
        return corrects

    @cached_property
    def confirmed(self) -> Days:
        """The day on which direct supervision of the scan's exam was confirmed."""
        return self.chunk.frame.confirmed[self.exam]

    def leaves(self, months: int | None) -> Days | None:
        """The first day on which the window no longer holds each row; NEVER after D."""
        if months is None:
            return None
        name = f"_leaves_{months}"
        if name not in vars(self):
            leaves = leaving(self.days, months)
            leaves[leaves > self.chunk.d] = NEVER
            vars(self)[name] = leaves
        return vars(self)[name]

    def by_signature(self, clause: Clause) -> Story:
        supervised = clause.measure == "supervised"
        key = ("signed", clause.within_months, supervised)
        if key not in self._stories:
            self._stories[key] = self._signed(clause.within_months, supervised)
        return self._stories[key]

    def _signed(self, months: int | None, supervised: bool) -> Story:
        enter, phase = self.signed, 2 - self.corrects
        if supervised:
            by_confirmation = self.confirmed >= enter
            phase[by_confirmation] = 2
            enter = np.maximum(enter, self.confirmed)
        leave, why = self.replaced, np.ones(len(enter), bool)
        if months is not None:
            expires = self.leaves(months)
            leave, why = np.minimum(leave, expires), leave < expires
        comes = enter < leave
        goes = np.flatnonzero(comes & (leave != NEVER))
        begins, rows = self.chunk.begins, len(enter)
        events = events_of(begins, self.person, enter, phase, np.arange(rows))
        if not comes.all():
            events = events[comes]
        gone = events_of(begins, self.person[goes], leave[goes], why[goes], rows + 1 + goes)
        return Story(begins, np.concatenate([events, gone]), rows)

    def by_performance(self, clause: Clause) -> Story:
        key = ("performed", clause.within_months)
        if key not in self._stories:
            self._stories[key] = self._performed(clause.within_months)
        return self._stories[key]

    def _performed(self, months: int | None) -> Story:
        """Every scan current at D2 taken as signed on the day it was performed. On a day they
        come in their order, after those that leave."""
        rows = np.flatnonzero(self.kept)
        person, days = self.person[rows], self.days[rows]
        begins = np.minimum(self.chunk.begins, self.chunk.d)
        first = np.ones(len(person), bool)
        first[1:] = person[1:] != person[:-1]
        firsts = np.flatnonzero(first)
        begins[person[firsts]] = np.minimum(begins[person[firsts]], days[firsts])
        events = events_of(begins, person, days, 1, rows)
        if months is not None:
            expires = self.leaves(months)[rows]
            goes = np.flatnonzero(expires != NEVER)
            place = len(self.rows) + 1 + rows[goes]
            gone = events_of(begins, person[goes], expires[goes], 0, place)
            events = np.concatenate([events, gone])
        return Story(begins, events, len(self.rows))


@lru_cache(maxsize=64)
def _table_of_leaving(low: int, high: int, months: int) -> Days:
    days = (dt.date.fromordinal(day) for day in range(low, high + 1))
    return np.array([leaves_window(day, months).toordinal() for day in days], np.int64)


def leaving(days: Days, months: int) -> Days:
    if not len(days):
        return days
    # Whole years, so that the chunks of a run share one table.
    low = dt.date.fromordinal(int(days.min())).replace(month=1, day=1).toordinal()
    high = dt.date.fromordinal(int(days.max())).replace(month=12, day=31).toordinal()
    return _table_of_leaving(low, high, months)[days - low]
