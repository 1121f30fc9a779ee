"""A standing worked out slowly from the definitions, day by day, with no code of the project.

Takes the same values (plans, histories) and reads their fields; every rule is written again.
"""

from __future__ import annotations

import calendar
import datetime as dt
import statistics
from collections import defaultdict

DAY = dt.timedelta(days=1)


def month_back(day, months):
    year, month = day.year, day.month
    for _ in range(months):
        month -= 1
        if month == 0:
            year, month = year - 1, 12
    return dt.date(year, month, min(day.day, calendar.monthrange(year, month)[1]))


def month_on(day, months):
    year, month = day.year, day.month
    for _ in range(months):
        month += 1
        if month == 13:
            year, month = year + 1, 1
    return dt.date(year, month, min(day.day, calendar.monthrange(year, month)[1]))


def days(first, last):
    while first <= last:
        yield first
        first += DAY


class Reference:
    def __init__(self, plan, history, as_of):
        self.plan, self.h, self.as_of = plan, history, as_of
        first = history.first_received_on
        self.begins = first if first is not None and first <= as_of.d2 else as_of.d2

    # --- what is current --------------------------------------------------------------------

    def standing_on(self, day):
        """scan -> the attestation that stands on the evening of the day."""
        out = {}
        for fact in self.h.facts:
            if fact.performed_on > self.as_of.d or fact.seq > self.as_of.n:
                continue
            gone = (
                fact.superseded_on is not None
                and fact.superseded_on <= day
                and fact.superseded_seq <= self.as_of.n
            )
            if fact.signed_on <= day and not gone:
                assert fact.scan not in out
                out[fact.scan] = fact
        return out

    def confirmed_by(self, day):
        return {
            c.exam
            for c in self.h.confirmations
            if c.on <= day and c.seq <= self.as_of.n and c.supervision == "direct"
        }

    def covers(self, clause, fact):
        if clause.application:
            return fact.application == clause.application
        if clause.group:
            return self.h.groups.get(fact.application) == clause.group
        return True

    # --- the value of one clause over a set of attestations ---------------------------------

    def value(self, clause, facts, end, confirmed):
        """(numerator, denominator, value or None, lower, upper)"""
        facts = [f for f in facts if self.covers(clause, f) and f.performed_on <= end]
        if clause.within_months is not None:
            start = month_back(end, clause.within_months)
            facts = [f for f in facts if start < f.performed_on]
        credited = [f for f in facts if f.credited]
        read = [f for f in facts if f.in_read]
        name = clause.measure
        if name == "read":
            return self.count(len({f.exam for f in read} if clause.unit == "exam" else read))
        if name in ("credited", "positive", "negative", "with_finding", "supervised", "adequate"):
            return self.count(len(self.counted(clause, credited, facts, confirmed)))
        if name == "quality":
            marks = [f.first_quality for f in read if f.first_quality is not None]
            least = 25 if clause.min_n is None else clause.min_n
            known = len(marks) >= max(1, least)
            median = statistics.median_low(marks) if known else None
            at_bar = sum(m >= clause.bar for m in marks)
            return at_bar, len(marks), median, None, None
        least = 25 if clause.min_n is None else clause.min_n
        if name == "adequate_share":
            base = read
            hits = [
                f for f in read if f.first_quality is not None and f.first_quality >= clause.cut
            ]
            each = 0
        else:
            base = [f for f in read if f.pair]
            hits = [f for f in base if (f.agrees if name == "agreement" else f.determinate)]
            each = 5 if name == "agreement" else 0
        each = each if clause.min_each is None else clause.min_each
        enough = (
            len(base) >= max(1, least)
            and (each == 0 or sum(f.first_call == "positive" for f in base) >= each)
            and (each == 0 or sum(f.first_call == "negative" for f in base) >= each)
        )
        lower = upper = None
        if base:
            lower, upper = self.wilson(clause, base, hits)
        return len(hits), len(base), len(hits) / len(base) if enough else None, lower, upper

    @staticmethod
    def count(n):
        return n, None, n, None, None

    def counted(self, clause, credited, attested, confirmed):
        wanted = {
            "credited": lambda f: True,
            "positive": lambda f: f.reader_call == "positive",
            "negative": lambda f: f.reader_call == "negative",
            "with_finding": lambda f: clause.finding in f.findings,
            "supervised": lambda f: f.supervision == "direct" and f.exam in confirmed,
            "adequate": lambda f: f.quality is not None and f.quality >= clause.cut,
        }[clause.measure]
        if clause.unit == "exam":
            normal = {
                exam
                for exam in {f.exam for f in attested}
                if all(f.reader_call == "negative" for f in attested if f.exam == exam)
            }
            if clause.measure == "negative":
                return {f.exam for f in credited} & normal
            units = {f.exam for f in credited if wanted(f)}
            when = {f.exam: (f.performed_on, f.exam) for f in credited if wanted(f)}
        else:
            chosen = [f for f in credited if wanted(f)]
            units = {f.scan for f in chosen}
            normal = {f.scan for f in chosen if f.reader_call == "negative"}
            when = {f.scan: (f.performed_on, f.exam, f.scan) for f in chosen}
        if clause.normal_cap is None:
            return units
        normals = sorted(units & normal, key=lambda unit: when[unit])
        return (units - normal) | set(normals[: clause.normal_cap])

    def wilson(self, clause, base, hits):
        from statsmodels.stats.proportion import proportion_confint

        n, share = len(base), len(hits) / len(base)
        if clause.application:
            return proportion_confint(len(hits), n, alpha=0.05, method="wilson")
        exams = defaultdict(list)
        hit = {id(f) for f in hits}
        for fact in base:
            exams[fact.exam].append(id(fact) in hit)
        k = len(exams)
        if share in (0, 1) or k < 2:
            worth = k
        else:
            between = sum((sum(e) - share * len(e)) ** 2 for e in exams.values()) / n**2
            deff = (k / (k - 1) * between) / (share * (1 - share) / n)
            worth = n / max(1, deff)
        z = 1.959964
        middle = (share + z * z / (2 * worth)) / (1 + z * z / worth)
        half = (
            z / (1 + z * z / worth) * (share * (1 - share) / worth + z * z / (4 * worth**2)) ** 0.5
        )
        return max(0, middle - half), min(1, middle + half)

    def holds(self, clause, facts, end, confirmed):
        _n, _of, value, lower, upper = self.value(clause, facts, end, confirmed)
        if value is None:
            return False
        if clause.direction == "at_least":
            return (lower if clause.bound else value) >= clause.bar
        return (upper if clause.bound else value) <= clause.bar

    # --- held on a day ----------------------------------------------------------------------

    def mode(self, clause):
        if clause.direction == "at_most":
            return "still"
        if clause.mode:
            return clause.mode
        if clause.measure in ("adequate_share", "agreement", "determinate", "quality"):
            return "still"
        return "still" if clause.within_months is not None else "once"

    def m(self, clause, day):
        end = min(day, self.as_of.d)
        return self.holds(clause, self.standing_on(day).values(), end, self.confirmed_by(day))

    def uses(self, clause, fact):
        """What of an attestation the clause uses; two attestations alike in it are the same."""
        if clause.measure in ("read", "quality", "adequate_share", "agreement", "determinate"):
            if not fact.in_read:
                return None
            good = fact.first_quality is not None and fact.first_quality >= clause.cut
            return {
                "read": (True,),
                "quality": None if fact.first_quality is None else (fact.first_quality,),
                "adequate_share": (good,),
                "agreement": (fact.agrees, fact.first_call) if fact.pair else None,
                "determinate": (fact.determinate, fact.first_call) if fact.pair else None,
            }[clause.measure]
        counts = (
            fact.credited
            and {
                "credited": True,
                "positive": fact.reader_call == "positive",
                "negative": fact.reader_call == "negative" or clause.unit == "exam",
                "with_finding": clause.finding in fact.findings,
                "supervised": fact.supervision == "direct",
                "adequate": fact.quality is not None and fact.quality >= clause.cut,
            }[clause.measure]
        )
        normal_matters = clause.normal_cap is not None or clause.measure == "negative"
        normal = fact.reader_call == "negative" if normal_matters else None
        if clause.unit == "exam" and normal is False:
            return (counts, normal)
        return (counts, normal) if counts else None

    def signed_for(self, clause, fact, day):
        """The first evening of the present run of attestations alike to the clause."""
        chain = sorted(
            (f for f in self.h.facts if f.scan == fact.scan and f.seq <= self.as_of.n),
            key=lambda f: f.ordinal,
        )
        evenings = {}
        for link in chain:
            if link.signed_on <= day:
                evenings[link.signed_on] = link
        signed = None
        for on in sorted(evenings, reverse=True):
            if self.uses(clause, evenings[on]) != self.uses(clause, fact):
                break
            signed = on
        return signed

    def s(self, clause, day):
        if self.mode(clause) == "still":
            return self.m(clause, day)
        standing = self.standing_on(day).values()
        signed = {f.scan: self.signed_for(clause, f, day) for f in standing}
        for earlier in days(self.begins, day):
            facts = [f for f in standing if signed[f.scan] <= earlier]
            end = min(earlier, self.as_of.d)
            if self.holds(clause, facts, end, self.confirmed_by(earlier)):
                return True
        return False

    def cause(self, clause, day):
        """Which of a day's events, taken in their order, lost the clause last."""
        before, after = self.standing_on(day - DAY), self.standing_on(day)
        knew = self.confirmed_by(day - DAY)
        end = min(day, self.as_of.d)
        held, why = True, ""
        replaced = {scan: after[scan] for scan in before}
        for step, facts, confirmed in (
            ("recency", before.values(), knew),
            ("superseded", replaced.values(), knew),
            ("new_readings", after.values(), self.confirmed_by(day)),
        ):
            now = self.holds(clause, facts, end, confirmed)
            if held and not now:
                why = step
            held = now
        return why

    # --- the answers ------------------------------------------------------------------------

    def clause(self, clause):
        """dict of what a standing says of a clause, and its days held, signed and performed."""
        if clause.measure == "elapsed_months":
            return self.elapsed(clause)
        d, d2 = self.as_of.d, self.as_of.d2
        standing = self.standing_on(d2)
        known = self.confirmed_by(d2)
        value = self.value(clause, standing.values(), d, known)
        held = {day: self.s(clause, day) for day in days(self.begins, d2)}
        used = [
            f
            for f in standing.values()
            if self.covers(clause, f)
            and self.uses(clause, f) is not None
            and (clause.measure != "supervised" or f.exam in known)
        ]
        begins = min([self.begins, d, *(f.performed_on for f in used)])
        performed = {}
        for day in days(begins, d):
            facts = [f for f in standing.values() if f.performed_on <= day]
            performed[day] = self.holds(clause, facts, day, known)
            if self.mode(clause) == "once" and day > begins and performed[day - DAY]:
                performed[day] = True
        out = self.dates(held, performed)
        if out["lost_on"] is not None:
            still = self.mode(clause) == "still"
            out["lost_because"] = self.cause(clause, out["lost_on"]) if still else "superseded"
        return {**out, "value": value, "held": held, "performed": performed}

    def elapsed(self, clause):
        d, d2 = self.as_of.d, self.as_of.d2
        first = self.h.first_received_on
        known = first is not None and first <= d2

        def months(day):
            k = 0
            while known and month_on(first, k + 1) <= min(day, d):
                k += 1
            return k

        def ok(day):
            if clause.direction == "at_least":
                return months(day) >= clause.bar
            return months(day) <= clause.bar

        held = {day: ok(day) for day in days(self.begins, d2)}
        out = self.dates(held, held)
        if out["lost_on"] is not None:
            out["lost_because"] = "time"
        return {**out, "value": self.count(months(d)), "held": held, "performed": held}

    @staticmethod
    def dates(held, performed):
        out = {
            "met": False,
            "first_met_on": None,
            "met_since": None,
            "lost_on": None,
            "lost_because": "",
            "reached_with": None,
        }
        true = [day for day in sorted(held) if held[day]]
        if not true:
            return out
        out["first_met_on"] = true[0]
        last = max(held)
        if not held[last]:
            out["lost_on"] = true[-1] + DAY
            return out
        out["met"] = True

        def since(series):
            day = max(series)
            if not series[day]:
                return None
            while day - DAY in series and series[day - DAY]:
                day -= DAY
            return day

        out["met_since"] = since(held)
        out["reached_with"] = since(performed)
        return out

    def gate(self, gate):
        clauses = [self.clause(clause) for clause in gate.clauses]
        needs = {"all": len(clauses), "any": 1}.get(gate.combine, gate.combine)
        held = {
            day: sum(c["held"][day] for c in clauses) >= needs
            for day in days(self.begins, self.as_of.d2)
        }
        return {**self.dates(held, {self.as_of.d: False}), "held": held, "clauses": clauses}

    def whole(self):
        gates = [self.gate(gate) for gate in self.plan.gates]
        held = {
            day: all(gate["held"][day] for gate in gates)
            for day in days(self.begins, self.as_of.d2)
        }
        return {**self.dates(held, {self.as_of.d: False}), "gates": gates}
