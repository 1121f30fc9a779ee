"""A programme that lives through a random list of steps, each of them a real action.

A step is (kind, how long after the one before, four small numbers that choose). What the rules
refuse does not happen. Times are the server's and never run backwards; local days are whatever
the programme's zone makes of them.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import random

from hypothesis import strategies as st

from accounts.actions import programmes
from accounts.errors import Refused
from accounts.models import Programme
from credentialing import measures, queries
from credentialing.actions import plans, record, standing
from credentialing.measures import AT_MOST, STILL, Clause, Gate, Plan
from logbook.actions import exams, supervision
from logbook.actions import scans as scan_actions
from logbook.models import Application, Exam
from review.actions import attestations, holds
from review.actions import scans as on_the_desk
from review.models import Attestation
from tests import factories as f

# A leap day, and within six weeks of it the hour that is taken away in spring (10 and 31 March)
# or given back in autumn (7 April); one has no summer time and a quarter of an hour.
ZONES = ("Europe/Berlin", "America/St_Johns", "Pacific/Auckland", "Asia/Kathmandu")
BEGAN = dt.date(2024, 1, 1)
ASKED = (("pneumothorax",), ("effusion",), ("pneumothorax", "effusion"), ("interstitial",))
ANSWERS = {
    "sided": ("R- L-", "R+ L-", "R- L+", "R? L-", "limited"),
    "pattern": ("none", "diffuse", "focal R", "indeterminate"),
}
KINDS = (
    *["submit"] * 6, *["sign"] * 6, *["supersede"] * 3, *["follow"] * 3, "send_back", "send_again",
    "set_aside", "withdraw", "confirm", "leave", "transfer", "document", "remediation", "revoke",
    "plan", "plan", "zone", "close", "some", "night",
)  # fmt: skip
PAUSES = [
    dt.timedelta(minutes=7), dt.timedelta(hours=1), dt.timedelta(hours=5), dt.timedelta(hours=23),
    dt.timedelta(days=1), dt.timedelta(days=3), dt.timedelta(days=9), dt.timedelta(days=29),
]  # fmt: skip
small = st.integers(0, 7)
steps = st.tuples(st.sampled_from(KINDS), st.sampled_from(PAUSES), small, small, small, small)
lives = st.tuples(
    st.integers(0, 45 * 24), st.integers(0, 9999), st.lists(steps, min_size=5, max_size=22)
)


def one_gate(*clauses: Clause, combine="all") -> Plan:
    return Plan((Gate(1, clauses, combine),))


# What columns know, and what only one by one is judged: looks, clauses that hang together, a
# window that slides, dated records, several readers.
PLANS = (
    one_gate(
        Clause(1, "credited", 2, group="lung", unit="exam"),
        Clause(2, "credited", 2, application="pneumothorax", within_months=1, normal_cap=1),
        Clause(3, "positive", 1, application="effusion"),
        Clause(4, "agreement", 0.5, group="lung", min_n=2, min_each=0),
        Clause(5, "quality", 4, min_n=2),
        Clause(6, "elapsed_months", 1),
        Clause(7, "supervised", 1, unit="exam"),
        Clause(8, "credited", 3, direction=AT_MOST, within_months=1),
    ),
    one_gate(
        Clause(
            1, "adequate_share", 0.3, application="pneumothorax", bound=True, step=2, min_n=2
        ),
        Clause(2, "credited", 1, group="lung", unit="exam", mode=STILL),
        Clause(3, "credited", 1, further=(2,)),
        Clause(4, "read", 1, after=2),
        Clause(5, "unread_share", 0.5, direction=AT_MOST, min_n=1),
        Clause(6, "credited", 1, since="course"),
        combine="any",
    ),
    Plan(
        (
            Gate(
                1,
                (
                    Clause(1, "credited", 3, application="pneumothorax", transfer_share=0.7),
                    Clause(2, "positive", 1, unit="patient"),
                ),
                window="best",
                within_months=1,
            ),
            Gate(
                2,
                (
                    Clause(3, "credited", 1, since="remediation"),
                    Clause(4, "readers", 2, max_share=0.7),
                    Clause(5, "per_period", 1, period="week", periods=2),
                    Clause(6, "document", 1, kind="course"),
                ),
                "any",
            ),
        )
    ),
)  # fmt: skip


def a_plan(dice: random.Random, number: int) -> Plan:
    return dataclasses.replace(dice.choice(PLANS), code=f"plan-{number}", name=f"Plan {number}")


class Place:
    """The programme and its people, of which every life is another future."""

    def __init__(self, zone: str) -> None:
        at = dt.datetime.combine(BEGAN, dt.time(12), dt.UTC)
        self.programme = programmes.create(
            institution="northfield",
            institution_name="Northfield Teaching Hospital",
            code="northfield",
            name="Northfield Ultrasound",
            time_zone=zone,
            duty_telephone="extension 4410",
            by=None,
            at=at,
        )
        early = {"starts_on": BEGAN, "when": at}
        self.people = [f.a_trainee(self.programme, name, **early) for name in ("Ada", "Tom", "Eve")]
        self.readers = [f.a_reader(self.programme, name, **early) for name in ("Bo", "Uma")]


class Life:
    def __init__(self, place: Place, hour: int, seed: int) -> None:
        self.programme = Programme.objects.get(pk=place.programme.pk)
        self.people, self.readers = place.people, place.readers
        self.dice = random.Random(seed)
        self.at = dt.datetime.combine(BEGAN, dt.time(12), dt.UTC)
        self.at += dt.timedelta(days=45, hours=hour)
        self.memberships = [one.memberships.get() for one in self.people]
        self.open: list[Exam] = []
        self.returned: list[Exam] = []
        self.signed: list[Attestation] = []
        self.rows: list = []
        # (D, D2, N) -> what was said then, plan by plan and person by person.
        self.said: dict = {}
        self.versions = {}
        self.plan(0, 0, 0, 0)

    def live(self, steps) -> None:
        for kind, pause, *numbers in steps:
            self.at += pause
            try:
                getattr(self, kind)(*numbers)
            except Refused:
                continue
        self.at += dt.timedelta(minutes=5)

    def now(self) -> measures.AsOf:
        return queries.now(self.programme, self.at)

    # --- scans ------------------------------------------------------------------------------

    def submit(self, who, asks, ago, how):
        performed = self.at - [dt.timedelta(hours=2), dt.timedelta(hours=30)][ago % 2]
        supervisor = self.readers[how % 2] if how < 4 else None
        self.open.append(
            f.waiting_exam(
                self.people[who % 3], self.programme, when=self.at,
                asks=ASKED[asks % len(ASKED)], supervisor=supervisor,
                supervision="direct" if how < 4 else "none",
                performed_at=performed.isoformat(),
                answered_at=(performed + dt.timedelta(minutes=10)).isoformat(),
            )
        )  # fmt: skip

    def sign(self, which, answer, quality, who):
        if not self.open:
            return
        exam = self.open.pop(which % len(self.open))
        kinds = {code: "pattern" if code == "interstitial" else "sided" for (code,) in ASKED[:2]}
        kinds["interstitial"] = "pattern"
        said = {code: ANSWERS[kind][answer % len(ANSWERS[kind])] for code, kind in kinds.items()}
        try:
            self.signed += f.signed_exam(
                self.readers[who % 2], exam, said, quality=1 + quality % 5, when=self.at
            )
        except Refused:
            self.open.append(exam)
            raise

    def supersede(self, which, how, quality, who):
        if not self.signed:
            return
        before = Attestation.objects.get(pk=self.signed.pop(which % len(self.signed)).pk)
        by = self.readers[who % 2]
        own = None
        if by != before.reader and how % 2:
            kind = before.application.kind
            own = attestations.OwnReading(
                f.Answer.parse(ANSWERS["sided" if kind == "sided" else "pattern"][how % 4]),
                1 + quality % 5,
                [],
            )
        elif by != before.reader:
            by = before.reader
        self.signed.append(
            attestations.supersede(
                attestation=before,
                reason="Looked again.",
                own=own,
                credited=[None, True, False][how % 3],
                override_reason="Half of it was the supervisor.",
                by=by,
                at=self.at,
            )
        )

    def _desk(self, which, who):
        exam = self.open[which % len(self.open)]
        holds.take(programme=self.programme, exam=exam, by=self.readers[who % 2], at=self.at)
        return exam, self.readers[who % 2]

    def set_aside(self, which, _a, _b, who):
        if not self.open:
            return
        exam, reader = self._desk(which, who)
        scan = exam.scans.order_by("id").first()
        on_the_desk.set_aside(
            exam=exam, scan_ids=[scan.pk], reason="test_entry", by=reader, at=self.at
        )
        if not exam.scans.filter(state="submitted").exists():
            self.open.remove(exam)
        holds.release(exam=exam, by=reader, at=self.at)

    def send_back(self, which, _a, _b, who):
        if not self.open:
            return
        exam, reader = self._desk(which, who)
        scan = exam.scans.filter(state="submitted").order_by("id").first()
        on_the_desk.return_(exam=exam, scan_ids=[scan.pk], zones=["R2"], by=reader, at=self.at)
        self.open.remove(exam)
        self.returned.append(exam)

    def send_again(self, which, *_numbers):
        if not self.returned:
            return
        exam = self.returned.pop(which % len(self.returned))
        exam.refresh_from_db()
        f.stored_clip(exam, zone="R2", when=self.at)
        saved = exams.save_draft(
            exam_id=exam.pk, programme=self.programme, draft=exams.present_draft(exam),
            version=exam.version, by=exam.trainee, at=self.at,
        ).exam  # fmt: skip
        exams.submit(exam=saved, version=saved.version, by=exam.trainee, at=self.at)
        self.open.append(Exam.objects.get(pk=exam.pk))

    def withdraw(self, which, back, *_numbers):
        some = self.returned if back % 2 else self.open
        if some:
            exam = some.pop(which % len(some))
            exams.withdraw(exam=exam, by=exam.trainee, at=self.at)

    def close(self, *_numbers):
        self.at += dt.timedelta(days=40)
        scan_actions.close_overdue(programme=self.programme, by=None, at=self.at)

    def confirm(self, who, *_numbers):
        by = self.readers[who % 2]
        named = supervision.unconfirmed_for(by, self.programme).values_list("pk", flat=True)
        supervision.confirm_shift(programme=self.programme, exams=list(named), by=by, at=self.at)

    # --- record, plans, zone ----------------------------------------------------------------

    def _today(self) -> dt.date:
        return self.programme.local_date(self.at)

    def _write(self, kind, who, says, why="Agreed with the committee."):
        self.rows.append(
            record.add(
                kind=kind, membership=self.memberships[who % 3], says=says, why=why, by=None,
                at=self.at,
            )
        )  # fmt: skip

    def leave(self, who, length, *_numbers):
        starts = self._today() + dt.timedelta(days=3)
        ends = starts + dt.timedelta(days=5 * length)
        self._write("leave", who, {"starts_on": starts, "ends_on": ends, "reason": "leave"})

    def transfer(self, who, count, which, ago):
        code = ["pneumothorax", "effusion"][which % 2]
        last = self._today() - dt.timedelta(days=4 * ago)
        says = {
            "measure": "credited",
            "application": Application.objects.get(programme=self.programme, code=code),
            "count": 1 + count,
            "performed_from": last - dt.timedelta(days=20),
            "performed_to": last,
            "grantor": "Southfield Hospital",
        }
        self._write("transfer", who, says)

    def document(self, who, ago, valid, _b):
        on = self._today() - dt.timedelta(days=2 * ago)
        until = on + dt.timedelta(days=20) if valid < 3 else None
        says = {"kind": "course", "title": "A course", "effective_on": on, "valid_until": until}
        self._write("document", who, says)

    def remediation(self, who, ago, which, _b):
        application = Application.objects.get(programme=self.programme, code="pneumothorax")
        says = {
            "application": application if which % 2 else None,
            "begins_on": self._today() - dt.timedelta(days=ago),
            "ends_on": None,
        }
        self._write("remediation", who, says)

    def revoke(self, which, *_numbers):
        if self.rows:
            row = self.rows.pop(which % len(self.rows))
            record.revoke(row=type(row).objects.get(pk=row.pk), why="A slip.", by=None, at=self.at)

    def plan(self, whom, ahead, *_numbers):
        number = len(self.versions)
        version = plans.publish(
            programme=self.programme,
            plan=a_plan(self.dice, number),
            effective_on=self._today(),
            override_reason="Only watched here.",
            by=None,
            at=self.at,
        )
        self.versions[version.pk] = version
        some = self.memberships if whom < 5 or number == 0 else [self.memberships[whom % 3]]
        on = self._today() + dt.timedelta(days=[0, 0, 2, 11][ahead % 4] if number else 0)
        plans.assign(version=version, memberships=some, effective_on=on, by=None, at=self.at)

    def zone(self, which, ahead, *_numbers):
        programmes.change_zone(
            programme=self.programme,
            time_zone=ZONES[which % len(ZONES)],
            from_on=self._today() + dt.timedelta(days=ahead),
            by=None,
            at=self.at,
        )

    # --- jobs -------------------------------------------------------------------------------

    def follow(self, *_numbers):
        while standing.follow(programme=self.programme, at=self.at) is not None:
            pass
        self.remember()

    def some(self, who, *_numbers):
        one = self.people[who % 3].pk
        standing.recompute(programme=self.programme, people=[one], at=self.at)

    def night(self, *_numbers):
        run = standing.run_full(self.programme, at=self.at)
        assert run is None or not (run.failed or run.differing), (run.failed, run.differing)

    # --- what was said ----------------------------------------------------------------------

    def judged(self, as_of: measures.AsOf) -> dict:
        """Everybody by every plan that was published by then."""
        plans_then = [v.as_plan() for v in self.versions.values() if v.seq <= as_of.n]
        return {
            (person, plan.code): said(measures.judge(plan, history, as_of=as_of))
            for person, history in queries.histories(self.programme, [p.pk for p in self.people])
            for plan in plans_then
        }

    def remember(self) -> None:
        now = self.now()
        earlier = measures.AsOf(now.d - dt.timedelta(days=20), now.d2, now.n)
        for as_of in (now, earlier):
            self.said[as_of] = self.judged(as_of)


def said(standing_: measures.Standing) -> tuple:
    """Every field of a standing."""
    clauses = [
        (c.state, c.value, c.dates, c.left, c.waiting, c.returned, c.normal_over, c.claimed,
         c.skipped, c.people, c.window_ends_on)
        for c in standing_.clauses
    ]  # fmt: skip
    return standing_.met, standing_.dates, standing_.waiting, standing_.returned, clauses
