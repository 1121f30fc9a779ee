"""A standing worked out slowly from the definitions, day by day, with no code of the project.

Takes the same values (plans, histories) and reads their fields; every rule is written again.
"""

from __future__ import annotations

import calendar
import dataclasses
import datetime as dt
import functools
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


class Evening:
    """What stands on the evening of a day: attestations, confirmations, other records, and the
    scans that wait. `end` is the day at which windows end."""

    def __init__(self, facts, confirmed, rows, waits, end, since_ok):
        self.facts, self.confirmed, self.rows = list(facts), confirmed, list(rows)
        self.waits, self.end, self.since_ok = list(waits), end, since_ok


class Reference:
    def __init__(self, plan, history, as_of):
        self.plan, self.h, self.as_of = plan, history, as_of
        first = history.first_received_on
        self.begins = first if first is not None and first <= as_of.d2 else as_of.d2
        self.rows = [
            *history.assessments, *history.documents, *history.procedures, *history.transfers,
            *history.references,
        ]  # fmt: skip
        self.ready = {}  # ordinal -> what was answered of an earlier clause
        # The same evening is asked about again and again.
        for name in ("standing_on", "confirmed_by", "waiting_on", "signed_for"):
            setattr(self, name, functools.cache(getattr(self, name)))

    # --- what is current --------------------------------------------------------------------

    def standing_on(self, day):
        """scan -> the attestation that stands on the evening of the day."""
        out = {}
        for fact in self.h.facts:
            if fact.performed_on > self.as_of.d or fact.seq > self.as_of.n:
                continue
            if fact.signed_on <= day and not self.gone(fact, day):
                assert fact.scan not in out
                out[fact.scan] = fact
        return out

    def gone(self, row, day):
        return (
            row.superseded_on is not None
            and row.superseded_on <= day
            and row.superseded_seq <= self.as_of.n
        )

    def rows_on(self, day, rows=None):
        return [
            row
            for row in (self.rows if rows is None else rows)
            if row.performed_on <= self.as_of.d
            and row.recorded_on <= day
            and row.seq <= self.as_of.n
            and not self.gone(row, day)
        ]

    def confirmed_by(self, day):
        return {
            c.exam
            for c in self.h.confirmations
            if c.on <= day and c.seq <= self.as_of.n and c.supervision == "direct"
        }

    def waiting_on(self, day):
        """Scans received by the evening and not read, nor taken off the list."""
        read = {f.scan for f in self.h.facts if f.signed_on <= day and f.seq <= self.as_of.n}
        seen, out = set(), []
        for fact in sorted(self.h.facts, key=lambda f: f.ordinal):
            if fact.scan in seen or fact.scan in read:
                continue
            seen.add(fact.scan)
            out.append(fact)
        out += self.h.waiting
        out += [w for w in self.h.ended if w.ended_on > day]
        return [w for w in out if w.received_on <= day and w.performed_on <= self.as_of.d]

    def covers(self, clause, fact):
        if clause.application:
            return fact.application == clause.application
        if clause.group:
            return self.h.groups.get(fact.application) == clause.group
        return True

    def evening(self, day):
        return Evening(
            self.standing_on(day).values(),
            self.confirmed_by(day),
            self.rows_on(day),
            self.waiting_on(day),
            min(day, self.as_of.d),
            lambda clause, app, performed: self.since_holds(clause, app, performed, day),
        )

    # --- what other clauses and records leave -----------------------------------------------

    def since_holds(self, clause, application, performed, day):
        if not clause.since or clause.since[0].isdigit():
            return True
        if clause.since == "remediation":
            blocks = [
                b for b in self.rows_on(day, self.h.remediations)
                if b.application in ("", application)
            ]  # fmt: skip
            return bool(blocks) and max(b.performed_on for b in blocks) <= performed
        return any(
            self.kind(d, clause.since) and d.performed_on <= performed
            for d in self.rows_on(day, self.h.documents)
        )

    @staticmethod
    def kind(row, kind):
        name, *code = kind.split(":")
        return row.kind == name and (not code or row.code == code[0])

    def floor(self, clause):
        """The first day on which something performed may count."""
        first = dt.date.min
        if clause.since[:1].isdigit():
            first = dt.date.fromisoformat(clause.since)
        if clause.after is not None:
            reached = self.ready[clause.after]["reached_with"]
            first = max(first, dt.date.max if reached is None else reached + DAY)
        return first

    def left(self, clause, one):
        """Whether earlier clauses leave this scan."""
        if one.performed_on < self.floor(clause):
            return False
        patient = getattr(one, "patient", None)
        names = {
            ("scan", one.scan),
            ("exam", one.exam),
            ("patient", one.exam if patient is None else patient),
        }
        return not any(names & self.ready[ordinal]["used"][0] for ordinal in clause.further)

    def spent(self, clause, transfer):
        return sum(self.ready[o]["used"][1].get(transfer.chain, 0) for o in clause.further)

    # --- the value of one clause on an evening ----------------------------------------------

    def value(self, clause, evening):
        """(numerator, denominator, value or None, lower, upper)"""
        end, name = evening.end, clause.measure
        start = dt.date.min
        if clause.within_months is not None:
            start = month_back(end, clause.within_months)

        def inside(one):
            return (
                self.left(clause, one)
                and start < one.performed_on <= end
                and evening.since_ok(clause, one.application, one.performed_on)
            )

        if name in ("document", "assessed", "procedure"):
            return self.count(
                len([r for r in evening.rows if self.asked(clause, r, end) and inside(r)])
                + self.elsewhere(clause, evening, start, end)
            )
        facts = [f for f in evening.facts if self.covers(clause, f) and inside(f)]
        credited = [f for f in facts if f.credited]
        read = [f for f in facts if f.in_read]
        if name == "per_period":
            return self.count(self.fewest(clause, credited, end))
        if name == "read":
            return self.count(len({self.unit(clause, f) for f in read}))
        if name == "readers":
            return self.count(len({f.reader for f in read}))
        if name in ("credited", "positive", "negative", "with_finding", "supervised", "adequate"):
            n = len(self.counted(clause, credited, facts, evening.confirmed))
            return self.count(n + self.elsewhere(clause, evening, start, end))
        if name == "clinical_share":
            hits = [f for f in credited if f.setting == "clinical"]
            share = len(hits) / len(credited) if len(credited) >= (clause.min_n or 1) else None
            return len(hits), len(credited), share, None, None
        if name == "unread_share":
            unread = [w for w in evening.waits if self.covers(clause, w) and inside(w)]
            n = len(unread) + len(facts)
            share = len(unread) / n if n >= (clause.min_n or 1) else None
            return len(unread), n, share, None, None
        if name == "quality":
            marks = [f.first_quality for f in read if f.first_quality is not None]
            least = 25 if clause.min_n is None else clause.min_n
            known = len(marks) >= max(1, least)
            median = statistics.median_low(marks) if known else None
            at_bar = sum(m >= clause.bar for m in marks)
            return at_bar, len(marks), median, None, None
        if name in ("sensitivity", "specificity"):
            return self.referenced(clause, read, evening)
        if clause.bound and clause.application and clause.within_months is None:
            return self.looked(clause, read, evening)
        return self.share(clause, read)

    def share(self, clause, read):
        name = clause.measure
        least = {"positive_agreement": 10, "negative_agreement": 10}.get(name, 25)
        least = least if clause.min_n is None else clause.min_n
        if name in ("positive_agreement", "negative_agreement"):
            return self.specific(clause, read, least)
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
        calls = [self.call(clause, f.first_call) for f in base]
        enough = (
            len(base) >= max(1, least)
            and calls.count("positive") >= each
            and calls.count("negative") >= each
        )
        lower = upper = None
        if base:
            clusters = defaultdict(list)
            hit = {id(f) for f in hits}
            for fact in base:
                clusters[fact.exam].append(id(fact) in hit)
            lower, upper = self.wilson(clause, clusters)
        return len(hits), len(base), len(hits) / len(base) if enough else None, lower, upper

    @staticmethod
    def call(clause, call):
        return clause.focal if call == "focal" and clause.focal != "apart" else call

    @staticmethod
    def sides(code):
        """(call, side -> found there or None) of an answer's code."""
        if code in ("none", "diffuse"):
            found = code == "diffuse"
            return ("positive" if found else "negative"), {"R": found, "L": found}
        if code.startswith("focal"):
            return "focal", {"R": "R" in code, "L": "L" in code}
        marks = {part[0]: part[1] for part in code.split() if len(part) == 2}
        sides = {side: {"+": True, "-": False}.get(marks.get(side)) for side in "RL"}
        return None, sides

    def specific(self, clause, read, least):
        """2a/(2a+b+c) or 2d/(2d+b+c), from a table written out pair by pair."""
        rows = []
        for f in read:
            if not (f.pair and f.determinate):
                continue
            said_call, said = self.sides(f.trainee_answer)
            read_call, seen = self.sides(f.first_answer)
            compared = [side for side in "RL" if seen[side] is not None]
            if said_call is None:
                said_call = "positive" if any(said[s] for s in compared) else "negative"
                read_call = "positive" if any(seen[s] for s in compared) else "negative"
            mine, theirs = self.call(clause, said_call), self.call(clause, read_call)
            if "focal" in (mine, theirs):
                continue
            if mine == theirs == "positive":
                same = any(said[s] and seen[s] for s in compared)
                cells = "a" if same else "bc"
            elif mine == theirs:
                cells = "d"
            else:
                cells = "b" if mine == "positive" else "c"
            rows.append((f.exam, cells, theirs))
        wanted, kind = (
            ("a", "positive") if clause.measure == "positive_agreement" else ("d", "negative")
        )
        n = {cell: sum(cell in cells for _e, cells, _c in rows) for cell in "abcd"}
        over = 2 * n[wanted] + n["b"] + n["c"]
        enough = over > 0 and sum(c == kind for _e, _cells, c in rows) >= max(1, least)
        clusters = defaultdict(list)
        for exam, cells, _call in rows:
            clusters[exam] += [True] if cells == wanted else [False] * len(set(cells) & set("bc"))
        clusters = {exam: some for exam, some in clusters.items() if some}
        lower = upper = None
        if clusters:
            lower, upper = (2 * j / (1 + j) for j in self.wilson(clause, clusters))
        share = 2 * n[wanted] / over if enough else None
        return 2 * n[wanted], over, share, lower, upper

    def referenced(self, clause, read, evening):
        wanted = clause.measure == "sensitivity"
        letter = {"right": "R", "left": "L"}
        clusters = defaultdict(list)
        for row in evening.rows:
            if type(row).__name__ != "Reference":
                continue
            if (row.answer == "positive") != wanted:
                continue
            if row.kind == "radiograph" and row.answer == "negative":
                continue
            for f in read:
                if f.scan == row.chain[0]:
                    _call, said = self.sides(f.trainee_answer)
                    clusters[f.exam].append(said[letter[row.side]] is wanted)
        sides = [hit for some in clusters.values() for hit in some]
        least = 10 if clause.min_n is None else clause.min_n
        known = len(sides) >= max(1, least)
        lower, upper = self.wilson(clause, clusters, alone=False) if sides else (None, None)
        share = sum(sides) / len(sides) if known else None
        return sum(sides), len(sides), share, lower, upper

    def looked(self, clause, read, evening):
        """The last look of those that the definitions allow."""

        def order(one):
            at = one.performed_at.timestamp() if one.performed_at else 0
            return one.received_on, at, str(one.exam), str(one.scan)

        holding = [
            order(w)
            for w in evening.waits
            if self.covers(clause, w)
            and self.left(clause, w)
            and (evening.end - w.received_on).days <= 60
        ]
        cut = min(holding, default=None)
        pairs = read
        if clause.measure in ("agreement", "determinate"):
            pairs = [f for f in read if f.pair]
        elif clause.measure != "adequate_share":
            pairs = [f for f in read if self.in_table(clause, f)]
        pairs = sorted((f for f in pairs if cut is None or order(f) < cut), key=order)
        shown = None
        for size in range(clause.step, len(pairs) + 1, clause.step):
            if size >= clause.least:
                found = self.share(clause, pairs[:size])
                if found[2] is not None:
                    shown = found
        if shown is not None:
            return shown
        numerator, of, _value, lower, upper = self.share(clause, pairs)
        return numerator, of, None, lower, upper

    def is_d(self, clause, f):
        """In the table, though not in this kind's own cells."""
        other = "negative" if clause.measure == "positive_agreement" else "positive"
        flipped = dataclasses.replace(clause, measure=f"{other}_agreement")
        return self.specific(flipped, [f], 0)[1] > 0

    @staticmethod
    def count(n):
        return n, None, n, None, None

    @staticmethod
    def unit(clause, f):
        if clause.unit == "patient":
            return f.exam if f.patient is None else f.patient
        return f.exam if clause.unit == "exam" else f.scan

    def asked(self, clause, row, end):
        kind = type(row).__name__.lower()
        if clause.measure == "assessed":
            return (
                kind == "assessment"
                and self.covers(clause, row)
                and row.level >= clause.level
                and (row.summative or not clause.summative)
            )
        if clause.measure == "document":
            valid = kind == "document" and (row.valid_until is None or end <= row.valid_until)
            return valid and self.kind(row, clause.kind)
        return (
            kind == "procedure"
            and clause.kind in ("", row.code)
            and (clause.which != "supervised" or row.supervised)
            and (clause.which != "complications" or row.complications)
        )

    def elsewhere(self, clause, evening, start, end):
        if clause.measure not in ("credited", "assessed", "document"):
            return 0
        total = 0
        for row in evening.rows:
            if type(row).__name__ != "Transfer" or row.measure != clause.measure:
                continue
            if not (start < row.performed_from and row.performed_on <= end):
                continue
            if row.performed_from < self.floor(clause):
                continue
            if not evening.since_ok(clause, row.application, row.performed_from):
                continue
            if clause.measure == "document":
                total += row.count if self.kind(row, clause.kind) else 0
                continue
            if not self.covers(clause, row):
                continue
            if clause.measure == "assessed" and (row.level < clause.level or clause.summative):
                continue
            total += max(0, row.count - self.spent(clause, row))
        if clause.measure == "document":
            return total
        return min(total, int(clause.bar * clause.transfer_share + 1e-9))

    def fewest(self, clause, credited, end):
        def edge(j):
            if clause.period == "week":
                return end - dt.timedelta(days=7 * j)
            return month_back(end, j * (12 if clause.period == "year" else 1))

        return min(
            len({
                self.unit(clause, f) for f in credited if edge(j + 1) < f.performed_on <= edge(j)
            })
            for j in range(clause.periods)
        )  # fmt: skip

    def counted(self, clause, credited, attested, confirmed):
        wanted = {
            "credited": lambda f: True,
            "positive": lambda f: self.call(clause, f.reader_call) == "positive",
            "negative": lambda f: f.reader_call == "negative",
            "with_finding": lambda f: clause.finding in f.findings,
            "supervised": lambda f: f.supervision == "direct" and f.exam in confirmed,
            "adequate": lambda f: f.quality is not None and f.quality >= clause.cut,
        }[clause.measure]
        if clause.unit != "scan":
            of = {f.scan: self.unit(clause, f) for f in attested}
            normal = {
                unit
                for unit in set(of.values())
                if all(f.reader_call == "negative" for f in attested if of[f.scan] == unit)
            }
            if clause.measure == "negative":
                return {of[f.scan] for f in credited} & normal
            units = {of[f.scan] for f in credited if wanted(f)}
            when = {}
            for f in sorted((f for f in credited if wanted(f)), key=self.performed, reverse=True):
                when[of[f.scan]] = (f.performed_on, f.exam)
        else:
            chosen = [f for f in credited if wanted(f)]
            units = {f.scan for f in chosen}
            normal = {f.scan for f in chosen if f.reader_call == "negative"}
            when = {f.scan: (f.performed_on, f.exam, f.scan) for f in chosen}
        if clause.normal_cap is None:
            return units
        normals = sorted(units & normal, key=lambda unit: when[unit])
        return (units - normal) | set(normals[: clause.normal_cap])

    @staticmethod
    def performed(f):
        at = f.performed_at.timestamp() if f.performed_at else 0
        return f.performed_on, at, f.exam, f.scan

    @staticmethod
    def wilson(clause, clusters, alone=True):
        """Over exams, each a list of hits and misses."""
        from statsmodels.stats.proportion import proportion_confint

        n, hits = sum(map(len, clusters.values())), sum(map(sum, clusters.values()))
        share = hits / n
        if clause.application and alone:
            return proportion_confint(hits, n, alpha=0.05, method="wilson")
        k = len(clusters)
        if share in (0, 1) or k < 2:
            worth = k
        else:
            between = sum((sum(e) - share * len(e)) ** 2 for e in clusters.values()) / n**2
            deff = (k / (k - 1) * between) / (share * (1 - share) / n)
            worth = n / max(1, deff)
        z = 1.959964
        middle = (share + z * z / (2 * worth)) / (1 + z * z / worth)
        half = (
            z / (1 + z * z / worth) * (share * (1 - share) / worth + z * z / (4 * worth**2)) ** 0.5
        )
        return max(0, middle - half), min(1, middle + half)

    def holds(self, clause, evening):
        _n, _of, value, lower, upper = self.value(clause, evening)
        if value is None:
            return False
        if clause.measure == "readers" and clause.max_share is not None:
            read = [f.reader for f in self.read_inside(clause, evening)]
            if max((read.count(r) for r in read), default=0) > clause.max_share * len(read):
                return False
        if clause.direction == "at_least":
            return (lower if clause.bound else value) >= clause.bar
        return (upper if clause.bound else value) <= clause.bar

    def read_inside(self, clause, evening):
        start = dt.date.min
        if clause.within_months is not None:
            start = month_back(evening.end, clause.within_months)
        return [
            f
            for f in evening.facts
            if self.covers(clause, f)
            and f.in_read
            and self.left(clause, f)
            and start < f.performed_on <= evening.end
            and evening.since_ok(clause, f.application, f.performed_on)
        ]

    # --- held on a day ----------------------------------------------------------------------

    def mode(self, clause):
        if clause.direction == "at_most":
            return "still"
        if clause.mode:
            return clause.mode
        if clause.measure in ("assessed", "procedure", "readers") and clause.max_share is None:
            return "still" if clause.within_months is not None else "once"
        if clause.measure in (
            "credited", "positive", "negative", "with_finding", "supervised", "adequate", "read",
        ):  # fmt: skip
            return "still" if clause.within_months is not None else "once"
        return "once" if clause.measure == "elapsed_months" else "still"

    def m(self, clause, day):
        return self.holds(clause, self.evening(day))

    READ = (
        "read", "readers", "quality", "adequate_share", "agreement", "determinate",
        "positive_agreement", "negative_agreement", "sensitivity", "specificity",
    )  # fmt: skip

    def uses(self, clause, fact):
        """What of an attestation the clause uses; two attestations alike in it are the same."""
        if clause.measure in ("assessed", "document", "procedure"):
            return None
        if clause.measure == "unread_share":
            return (True,)
        if clause.measure == "clinical_share":
            return (fact.setting == "clinical",) if fact.credited else None
        if clause.measure in self.READ:
            if not fact.in_read:
                return None
            good = fact.first_quality is not None and fact.first_quality >= clause.cut
            call = self.call(clause, fact.first_call)
            table = self.specific(clause, [fact], 0)[:2]
            committed = fact.pair and fact.determinate
            return {
                "read": lambda: (True,),
                "readers": lambda: (fact.reader,),
                "quality": lambda: None if fact.first_quality is None else (fact.first_quality,),
                "adequate_share": lambda: (good,),
                "agreement": lambda: (fact.agrees, call) if fact.pair else None,
                "determinate": lambda: (fact.determinate, call) if fact.pair else None,
                "positive_agreement": lambda: (table, call) if committed else None,
                "negative_agreement": lambda: (table, call) if committed else None,
                "sensitivity": lambda: (fact.trainee_answer,),
                "specificity": lambda: (fact.trainee_answer,),
            }[clause.measure]()
        measure = "credited" if clause.measure == "per_period" else clause.measure
        counts = (
            fact.credited
            and {
                "credited": True,
                "positive": self.call(clause, fact.reader_call) == "positive",
                "negative": fact.reader_call == "negative" or clause.unit != "scan",
                "with_finding": clause.finding in fact.findings,
                "supervised": fact.supervision == "direct",
                "adequate": fact.quality is not None and fact.quality >= clause.cut,
            }[measure]
        )
        normal_matters = clause.normal_cap is not None or clause.measure == "negative"
        normal = fact.reader_call == "negative" if normal_matters else None
        if clause.unit != "scan" and normal is False:
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
        rows = self.rows_on(day)
        for earlier in days(self.begins, day):
            evening = Evening(
                [f for f in standing if signed[f.scan] <= earlier],
                self.confirmed_by(earlier),
                [row for row in rows if row.recorded_on <= earlier],
                self.waiting_on(earlier),
                min(earlier, self.as_of.d),
                lambda clause, app, performed, earlier=earlier: all(
                    self.since_holds(clause, app, performed, on) for on in days(earlier, day)
                ),
            )
            if self.holds(clause, evening):
                return True
        return False

    def cause(self, clause, day):
        """Which of a day's events, taken in their order, lost the clause last."""
        yesterday, today = self.evening(day - DAY), self.evening(day)
        before, after = self.standing_on(day - DAY), self.standing_on(day)
        yesterday.end = today.end
        steps = [("recency", yesterday)]
        corrected = self.evening(day - DAY)
        corrected.end, corrected.facts = today.end, [after[scan] for scan in before]
        steps += [("superseded", corrected), ("new_readings", today)]
        held, why = True, ""
        for step, evening in steps:
            now = self.holds(clause, evening)
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
        now = self.evening(d2)
        value = self.value(clause, now)
        held = {day: self.s(clause, day) for day in days(self.begins, d2)}
        begins = min([self.begins, d, *self.touched(clause, now)])
        performed = {}
        for day in days(begins, d):
            evening = Evening(
                [f for f in now.facts if f.performed_on <= day],
                now.confirmed,
                [r for r in now.rows if self.as_performed(r, day)],
                [w for w in now.waits if w.performed_on <= day],
                day,
                now.since_ok,
            )
            performed[day] = self.holds(clause, evening)
            if self.mode(clause) == "once" and day > begins and performed[day - DAY]:
                performed[day] = True
        out = self.dates(held, performed)
        if out["lost_on"] is not None:
            still = self.mode(clause) == "still"
            out["lost_because"] = self.cause(clause, out["lost_on"]) if still else "superseded"
        used = self.used(clause, value, now)
        return {**out, "value": value, "held": held, "performed": performed, "used": used}

    def touched(self, clause, now):
        """The days on which something was performed that the clause looks at."""

        def kept(one, day):
            return self.left(clause, one) and now.since_ok(clause, one.application, day)

        of_scans = clause.measure not in ("assessed", "document", "procedure")
        for f in now.facts if of_scans else ():
            if not (self.covers(clause, f) and kept(f, f.performed_on)):
                continue
            if clause.measure == "supervised" and f.exam not in now.confirmed:
                continue
            if (
                clause.measure in ("sensitivity", "specificity")
                and not self.referenced(dataclasses.replace(clause, min_n=1), [f], now)[1]
            ):
                continue
            if clause.measure == "per_period" and not f.credited:
                continue
            table = "_agreement" not in clause.measure or self.in_table(clause, f)
            if self.uses(clause, f) is not None and table:
                yield f.performed_on
        for row in now.rows:
            mine = not of_scans and self.asked(clause, row, row.performed_on)
            if mine and kept(row, row.performed_on):
                yield row.performed_on
            if self.elsewhere_of(clause, row, now, dt.date.min):
                yield row.performed_on
        looked = (
            clause.bound and clause.application and clause.within_months is None
            and clause.measure not in ("sensitivity", "specificity")
        )  # fmt: skip
        for w in now.waits:
            if self.covers(clause, w) and (
                (looked and self.left(clause, w))
                or (clause.measure == "unread_share" and kept(w, w.performed_on))
            ):
                yield w.performed_on

    def in_table(self, clause, f):
        return self.specific(clause, [f], 0)[1] > 0 or self.is_d(clause, f)

    def as_performed(self, row, day):
        """A reference speaks of a scan that was performed before it was written down."""
        return type(row).__name__ == "Reference" or row.performed_on <= day

    def used(self, clause, value, evening):
        """The earliest scans up to the clause's number, and of each transfer how many."""
        if clause.measure not in (
            "credited", "positive", "negative", "with_finding", "supervised", "adequate", "read",
        ):  # fmt: skip
            return set(), {}
        start = dt.date.min
        if clause.within_months is not None:
            start = month_back(evening.end, clause.within_months)
        moved = min(int(clause.bar), self.elsewhere(clause, evening, start, evening.end))
        want = int(clause.bar) - moved
        facts = [
            f for f in evening.facts
            if self.covers(clause, f) and self.left(clause, f) and start < f.performed_on
            and evening.since_ok(clause, f.application, f.performed_on)
        ]  # fmt: skip
        if clause.measure == "read":
            chosen = [f for f in facts if f.in_read]
            units = {self.unit(clause, f) for f in chosen}
        else:
            credited = [f for f in facts if f.credited]
            units = self.counted(clause, credited, facts, evening.confirmed)
            chosen = [f for f in credited if self.hit(clause, f, evening.confirmed)]
        names = []
        for f in sorted(chosen, key=self.performed):
            unit = self.unit(clause, f)
            if unit in units and unit not in names:
                names.append(unit)
        spent = {}
        for row in sorted(
            (r for r in evening.rows if type(r).__name__ == "Transfer"),
            key=lambda r: (r.performed_on, str(r.chain)),
        ):
            mine = self.elsewhere_of(clause, row, evening, start)
            if mine and moved:
                spent[row.chain] = min(moved, mine)
                moved -= spent[row.chain]
        return {(clause.unit, unit) for unit in names[:want]}, spent

    def elsewhere_of(self, clause, row, evening, start):
        alone = Evening([], set(), [row], [], evening.end, evening.since_ok)
        return self.elsewhere(
            dataclasses.replace(clause, transfer_share=1000), alone, start, evening.end
        )

    def hit(self, clause, f, confirmed):
        if clause.measure in ("assessed", "document", "procedure"):
            return False
        return {
            "credited": True,
            "positive": self.call(clause, f.reader_call) == "positive",
            "negative": clause.unit != "scan" or f.reader_call == "negative",
            "with_finding": clause.finding in f.findings,
            "supervised": f.supervision == "direct" and f.exam in confirmed,
            "adequate": f.quality is not None and f.quality >= clause.cut,
        }[clause.measure]

    def elapsed(self, clause):
        d, d2 = self.as_of.d, self.as_of.d2
        first, recorded = self.h.first_received_on, dt.date.min
        if clause.after is not None:
            first = self.ready[clause.after]["reached_with"]
        elif clause.since[:1].isdigit():
            first = dt.date.fromisoformat(clause.since)
        elif clause.since:
            if clause.since == "remediation":
                rows = [
                    r for r in self.rows_on(d2, self.h.remediations)
                    if r.application in ("", clause.application)
                ]  # fmt: skip
                rows.sort(key=lambda r: (r.performed_on, r.seq), reverse=True)
            else:
                rows = [r for r in self.rows_on(d2, self.h.documents) if self.kind(r, clause.since)]
                rows.sort(key=lambda r: (r.performed_on, r.recorded_on))
            first = rows[0].performed_on if rows else None
            recorded = rows[0].recorded_on if rows else recorded
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

        performed = {day: ok(day) for day in days(self.begins, d2)}
        held = {
            day: ok(day) and (clause.direction == "at_most" or day >= recorded) for day in performed
        }
        out = self.dates(held, performed)
        if out["lost_on"] is not None:
            out["lost_because"] = "time"
        value = self.count(months(d))
        return {
            **out, "value": value, "held": held, "performed": performed, "used": (set(), {}),
        }  # fmt: skip

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
        if gate.window:
            return self.best(gate)
        clauses = []
        for clause in gate.clauses:
            clauses.append(self.clause(clause))
            self.ready[clause.ordinal] = clauses[-1]
        needs = {"all": len(clauses), "any": 1}.get(gate.combine, gate.combine)
        held = {
            day: sum(c["held"][day] for c in clauses) >= needs
            for day in days(self.begins, self.as_of.d2)
        }
        return {**self.dates(held, {self.as_of.d: False}), "held": held, "clauses": clauses}

    def best(self, gate):
        """All clauses in one window; which one, is asked again on every evening."""
        d, d2 = self.as_of.d, self.as_of.d2
        shown = {day: self.shown(gate, self.evening(day)) for day in days(self.begins, d2)}
        now = self.evening(d2)
        begins = min([self.begins, d, *(one.performed_on for one in [*now.facts, *now.rows])])
        performed = {}
        for day in days(begins, d):
            facts = [f for f in now.facts if f.performed_on <= day]
            rows = [r for r in now.rows if r.performed_on <= day]
            evening = Evening(facts, now.confirmed, rows, [], day, now.since_ok)
            performed[day] = self.shown(gate, evening)
        clauses = []
        for n, clause in enumerate(gate.clauses):
            held = {day: one[1][n] for day, one in shown.items()}
            by = {day: one[1][n] for day, one in performed.items()}
            out = {**self.dates(held, by), "held": held, "performed": by, "used": (set(), {})}
            out["value"] = shown[d2][2][n]
            self.ready[clause.ordinal] = out
            clauses.append(out)
        needs = {"all": len(clauses), "any": 1}.get(gate.combine, gate.combine)
        held = {day: sum(one[1]) >= needs for day, one in shown.items()}
        reached = {day: sum(one[1]) >= needs for day, one in performed.items()}
        return {
            **self.dates(held, reached), "held": held, "clauses": clauses,
            "ends_on": shown[d2][0],
        }  # fmt: skip

    def shown(self, gate, evening):
        """(end, met clauses, values) of the window that is shown."""
        ends = set()
        for clause in gate.clauses:
            for f in evening.facts:
                if f.credited and self.covers(clause, f) and self.left(clause, f):
                    if clause.measure == "read":
                        counts = f.in_read
                    else:
                        counts = self.hit(clause, f, evening.confirmed)
                    if counts and evening.since_ok(clause, f.application, f.performed_on):
                        ends.add(f.performed_on)
        found = []
        for end in ends or {None}:
            values, met = [], []
            for clause in gate.clauses:
                some = dataclasses.replace(clause, within_months=gate.within_months)
                at = evening.end if end is None else end
                facts = evening.facts if end else []
                rows = evening.rows if end else []
                inside = Evening(facts, evening.confirmed, rows, [], at, evening.since_ok)
                values.append(self.value(some, inside))
                met.append(self.holds(some, inside))
            found.append((end, met, values))
        return max(found, key=lambda one: (sum(one[1]), one[2][0][0], one[0] or dt.date.min))

    def whole(self):
        gates = [self.gate(gate) for gate in self.plan.gates]
        held = {
            day: all(gate["held"][day] for gate in gates)
            for day in days(self.begins, self.as_of.d2)
        }
        return {**self.dates(held, {self.as_of.d: False}), "gates": gates}
