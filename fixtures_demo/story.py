"""What happened in the demonstration: eighteen months of invented exams, readings and gaps.

Pure and seeded: the same *now* gives the same story. The story only says who did what when; the
loader makes it true through the service's own actions, so nothing here knows a table.
"""

from __future__ import annotations

import datetime as dt
import functools
import heapq
import math
import random
import uuid
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import accumulate
from zoneinfo import ZoneInfo

from fixtures_demo import people
from fixtures_demo.chests import ASKS, CHESTS, FINDINGS, SIDES, Chest, chest
from fixtures_demo.happenings import (
    Correction,
    Counted,
    Event,
    Exam,
    Kept,
    Mended,
    Read,
    Said,
    Shift,
    Turn,
    Watched,
)

DAYS = 548  # eighteen months
SEED = 20
MOST_EXAMS = 1500
USUAL = 0.55  # scales everybody: about 700 exams, under MOST_EXAMS
BRINGS_CREDIT = "marek.ashdown"

WATCHED_SENTENCES = (
    "Talks the patient through it well. Settle the probe before you look up.",
    "Found every zone without a prompt.",
    "Say aloud what you look for; it slows you down in a good way.",
    "Gel first, gain second. Otherwise independent today.",
)
SENTENCES = (
    "Stay one breath longer on each spot.",
    "Lovely pleural line; now come down in gain a little.",
    "Go lower: the base starts where the diaphragm shows.",
    "Turn the probe until both ribs cast a shadow.",
    "Count in the one frame that shows most, not over the whole clip.",
    "A-lines alone do not say that it slides.",
    "Compare with the other side before you decide.",
    "Look for the spine above the diaphragm next time.",
    "Say indeterminate when the picture cannot tell you.",
    "Good sweep. The lung point was worth the wait.",
)
NOTES = (
    "Patient could not sit up.",
    "Dressing over the front, moved one space down.",
    "Short of time, base left only.",
    "Second look after oxygen was turned up.",
)


def tell(
    now: dt.datetime,
    *,
    weekly: float = 1.0,
    company: people.Company | None = None,
    pace: Pace | None = None,
) -> list[Event]:
    """Every event up to `now` (aware), in order of time. `weekly` scales how much is scanned."""
    return _Teller(now, weekly, company or people.demonstration(), pace or Pace()).events()


@dataclass(frozen=True)
class Pace:
    """How much happens. `most`: exams; `scans`: stop once so many are asked; `session`: exams that
    a reader reads at a sitting; `turns`: whether some are withdrawn, returned, set aside, and some
    left as drafts; `lulls`: whether readers stay away."""

    most: int = MOST_EXAMS
    scans: int | None = None
    session: tuple[int, int] = (2, 5)
    turns: bool = True
    lulls: bool = True
    exact: bool = False  # the last exam asks no more than `scans` leaves


@functools.cache
def _added_up(weighted: tuple[tuple, ...]) -> list[int]:
    """The weights that stand last in each row, added up."""
    return list(accumulate(row[-1] for row in weighted))


class _Teller:
    def __init__(
        self, now: dt.datetime, weekly: float, company: people.Company, pace: Pace
    ) -> None:
        self.pace = pace
        self.learners = company.learners
        # Programmes of one database must not invent the same exams.
        self.random = random.Random(f"{SEED} {' '.join(one.code for one in company.programmes)}")
        self.zone = ZoneInfo(people.ZONE)
        self.now = now.astimezone(self.zone)
        self.today = self.now.date()
        self.first = self.today - dt.timedelta(days=DAYS)
        self.weekly = weekly
        self.done: dict[tuple[str, str], int] = {}
        self.queue: dict[str, list[tuple[dt.datetime, int, Exam]]] = {}
        self.count = self.scans = 0
        self.week: list[Event] = []
        self.gone: set[uuid.UUID] = set()
        self.mended: set[uuid.UUID] = set()
        self.counter = 0
        self.out: list[Event] = []
        self.people = company.people
        self.places = {programme.code: programme.places for programme in company.programmes}
        self.faculty = {
            programme.code: [
                who
                for who in self.people
                if any(r.programme == programme.code and r.role == "faculty" for r in who.roles)
            ]
            for programme in company.programmes
        }

    # -- time -------------------------------------------------------------------------

    def moment(self, day: dt.date, hour: float) -> dt.datetime:
        start = dt.datetime.combine(day, dt.time(), tzinfo=self.zone)
        return (start + dt.timedelta(hours=hour)).astimezone(dt.UTC)

    def event(self, at: dt.datetime, kind: str, programme: str, data: object) -> None:
        if at < self.now:
            self.counter += 1
            event = Event(at, self.counter, kind, programme, data)
            self.out.append(event)
            if kind == "exam":
                self.week.append(event)
            elif kind == "turn":
                self.gone.add(data.exam)

    def identifier(self) -> uuid.UUID:
        return uuid.UUID(int=self.random.getrandbits(128), version=4)

    def pick(self, weighted: tuple[tuple, ...]) -> tuple:
        return self.random.choices(weighted, cum_weights=_added_up(weighted))[0]

    # -- the days ---------------------------------------------------------------------

    def events(self) -> list[Event]:
        day = self.first
        if self.pace.turns:
            self.records()
        while day <= self.today:
            if self.pace.turns and day.day == 3:
                self.counting(day)
            self.scanning(day)
            self.confirming(day)
            self.reading(day)
            day += dt.timedelta(days=1)
        if self.pace.turns:
            self.drafts()
        return sorted(self.out)

    def trainees(self, day: dt.date) -> Iterator[tuple[str, str, people.Learner]]:
        for who in self.people:
            for role in who.roles:
                if role.role != "trainee":
                    continue
                starts, ends = people.academic_year(self.today, role.year)
                if starts <= day <= ends:
                    yield role.programme, who.key, self.learners[who.key]

    def busy(self, day: dt.date, learner: people.Learner) -> float:
        """How much of the usual is scanned on a day: holidays, July, a person's time away."""
        ago = (self.today - day).days
        if any(begin >= ago > begin - length for begin, length in learner.away):
            return 0.0
        if (day.month, day.day) >= (12, 20) or (day.month, day.day) <= (1, 3):
            return 0.25
        return {8: 0.55, 10: 1.2, 11: 1.25, 2: 1.15}.get(day.month, 1.0)

    def scanning(self, day: dt.date) -> None:
        for programme, trainee, learner in self.trainees(day):
            rate = min(1.6, learner.weekly * USUAL * self.weekly / 7 * self.busy(day, learner))
            # People scan in clusters: a shift with the probe in hand, then nothing for a week.
            for _ in range(
                self.random.choices(
                    (0, 2, 1, 3), (1 - rate * 0.62, *(rate * share for share in (0.26, 0.30, 0.06)))
                )[0]
            ):
                enough = self.pace.scans is not None and self.scans >= self.pace.scans
                if self.count < self.pace.most and not enough:
                    self.exam(programme, trainee, learner, day)

    def exam(self, programme: str, trainee: str, learner: people.Learner, day: dt.date) -> None:
        rng = self.random
        self.count += 1
        done = self.done.get((programme, trainee), 0)
        self.done[(programme, trainee)] = done + 1
        skill = learner.end - (learner.end - learner.start) * math.exp(-done / learner.pace)
        applications, zones, _weight = self.pick(ASKS)
        if self.pace.exact and self.scans + len(applications) > (self.pace.scans or 0):
            applications, zones, _weight = ASKS[0]
        kind = self.pick(CHESTS)[0]
        side = rng.choice(SIDES)
        lungs = chest(kind, side, deep="interstitial" in applications)
        performed = self.moment(day, rng.uniform(7.5, 22.5))
        answered = performed + dt.timedelta(minutes=rng.randint(4, 40))
        wait = rng.random()
        later = 60 * 24 * 16 if wait > 0.985 else 60 * 20 if wait > 0.93 else rng.randint(1, 90)
        submitted = answered + dt.timedelta(minutes=later)
        faculty = [who for who in self.faculty[programme] if who.key != trainee]
        supervisor = rng.choice(faculty).key if rng.random() < 0.92 else ""
        direct = rng.random() < (0.55 if done < 10 else 0.3)
        item = Exam(
            id=self.identifier(),
            programme=programme,
            trainee=trainee,
            performed_at=performed,
            answered_at=answered,
            submitted_at=submitted,
            saved_at=answered,
            fields=self.fields(programme, kind, applications),
            supervisor=supervisor,
            supervisor_typed="" if supervisor else "visiting consultant",
            answers={code: self.answer(code, lungs.truth[code], skill) for code in applications},
            truth={code: lungs.truth[code] for code in applications},
            clips=self.imaged(zones, lungs, skill),
            findings=self.noticed(zones, lungs, skill),
            note=rng.choice(NOTES) if rng.random() < 0.12 else "",
            skill=skill,
        )
        item.fields["supervision"] = "direct" if direct else rng.choice(("indirect", "oversight"))
        if submitted >= self.now:
            return
        self.scans += len(applications)
        self.event(submitted, "exam", programme, item)
        if self.pace.turns and direct and supervisor and rng.random() < 0.16:
            self.watching(programme, item, day)
        if self.pace.turns and rng.random() < 0.012:
            taken_back = submitted + dt.timedelta(minutes=rng.randint(5, 50))
            self.event(taken_back, "turn", programme, Turn(item.id, trainee, "withdrawn", ""))
            return
        urgent = 0 if "pneumothorax" in applications else 1
        heapq.heappush(self.queue.setdefault(programme, []), (urgent, submitted, self.count, item))

    # -- what is kept beside the exams ------------------------------------------------

    def watching(self, programme: str, exam: Exam, day: dt.date) -> None:
        """The supervisor signs what they watched before leaving the bedside."""
        rng = self.random
        reads = next(who.reads for who in self.people if who.key == exam.supervisor)
        watched = sorted(set(exam.answers) & set(reads))
        if not watched:
            return
        level = min(5, max(1, round(1.2 + 3.4 * exam.skill + rng.gauss(0, 0.45))))
        items = {"image": "prompted"} if level < 3 else {}
        told = Watched(
            exam.trainee, exam.supervisor, watched[0], level, items,
            rng.choice(WATCHED_SENTENCES) if rng.random() < 0.7 else "",
            level >= 4 and rng.random() < 0.5, day,
        )  # fmt: skip
        at = max(exam.answered_at, self.moment(day, 8)) + dt.timedelta(minutes=5)
        if at.astimezone(self.zone).date() == day:
            self.event(at, "watched", programme, told)

    def records(self) -> None:
        """Courses at the beginning, the times away, and credit that one brings along."""
        begun = self.moment(self.first, 9)
        for index, (programme, trainee, starts, learner) in enumerate(self.enrolled()):
            course_on = max(starts, self.first) + dt.timedelta(days=3 + index % 5)
            course = {"kind": "course", "code": "introduction", "title": "Introductory course",
                      "effective_on": course_on,
                      "valid_until": course_on + dt.timedelta(days=3 * 365)}  # fmt: skip
            at = max(begun, self.moment(course_on, 17))
            self.event(at, "kept", programme, Kept(trainee, "document", course))
            for begin, length in learner.away:
                away_on = self.today - dt.timedelta(days=begin)
                leave = {"starts_on": away_on, "reason": "elsewhere" if length > 50 else "leave",
                         "ends_on": away_on + dt.timedelta(days=length - 1)}  # fmt: skip
                at = self.moment(away_on - dt.timedelta(days=20), 10)
                self.event(max(begun, at), "kept", programme, Kept(trainee, "leave", leave))
            if trainee == BRINGS_CREDIT:
                until = starts - dt.timedelta(days=1)
                transfer = {"measure": "credited", "application": "pneumothorax", "count": 4,
                            "positive": 1, "performed_from": until - dt.timedelta(days=200),
                            "performed_to": until, "effective_on": starts,
                            "grantor": "Programme at the former hospital"}  # fmt: skip
                at = self.moment(starts + dt.timedelta(days=9), 11)
                self.event(at, "kept", programme, Kept(trainee, "transfer", transfer))

    def enrolled(self) -> Iterator[tuple[str, str, dt.date, people.Learner]]:
        for who in self.people:
            for role in who.roles:
                if role.role == "trainee":
                    starts, _ends = people.academic_year(self.today, role.year)
                    yield role.programme, who.key, starts, self.learners[who.key]

    def counting(self, day: dt.date) -> None:
        """The coordinator enters what the machines counted last month: more than was logged."""
        last = day.replace(day=1) - dt.timedelta(days=1)
        month = last.replace(day=1)
        for programme, places in self.places.items():
            sent = [
                event.data.fields["place"]
                for event in self.out
                if event.kind == "exam"
                and event.programme == programme
                and month <= event.data.performed_at.astimezone(self.zone).date() <= last
            ]
            counts = {p: round(sent.count(p) * self.random.uniform(1.1, 1.7)) for p in places}
            self.event(self.moment(day, 10), "counted", programme, Counted(month, counts))

    def fields(self, programme: str, kind: str, applications: tuple[str, ...]) -> dict[str, str]:
        rng = self.random
        indication = {
            "pneumothorax": "trauma", "wet": "breathlessness", "consolidated": "cough_fever",
            "fluid": "breathlessness", "septated": "cough_fever", "patchy": "low_oxygen",
        }.get(kind, rng.choice(("breathlessness", "chest_pain", "shock", "follow_up")))  # fmt: skip
        return {
            "setting": self.pick(
                (("clinical", 86), ("educational", 9), ("volunteer", 3), ("simulator", 2))
            )[0],
            "place": rng.choice(self.places[programme]),
            "age_band": self.pick((("18-64", 48), ("65-89", 45), ("90+", 5), ("1-17", 2)))[0],
            "position": self.pick((("semi_recumbent", 55), ("supine", 30), ("seated", 15)))[0],
            "breathing": self.pick((("spontaneous", 92), ("ventilated", 8)))[0],
            "chest_procedure": self.pick((("none", 92), ("unknown", 5), ("bullae", 3)))[0],
            "indication": indication,
            "operator": self.pick((("all", 92), ("shared", 6), ("watched", 2)))[0],
            "knew_result": "yes" if rng.random() < 0.06 else "no",
        }

    def answer(self, application: str, truth: str, skill: float) -> Said:
        """What the trainee says, right or wrong, and how sure."""
        rng = self.random
        if rng.random() < skill:
            return Said(truth, rng.choices(("sure", "fairly", "unsure"), (5, 4, 1))[0])
        if truth == "limited":
            said = "none" if application == "interstitial" else "R- L-"
        elif application == "interstitial":
            said = {
                "diffuse": rng.choice(("focal R", "focal R L", "none")),
                "none": rng.choice(("focal R", "focal L", "indeterminate")),
            }.get(truth, rng.choice(("none", "diffuse", "indeterminate")))
        elif truth == "R- L-":
            said = rng.choice(("R+ L-", "R- L+", "R? L-", "R- L?", "limited"))
        else:
            wrong_side = "R- L+" if truth == "R+ L-" else "R+ L-"
            said = rng.choice(("R- L-", "R- L-", wrong_side, truth.replace("+", "?")))
        return Said(said, rng.choices(("sure", "fairly", "unsure"), (2, 4, 4))[0])

    def imaged(self, zones: tuple[str, ...], lungs: Chest, skill: float) -> dict[str, str]:
        """The zones that were captured; a beginner forgets one more often."""
        kept = dict.fromkeys(zones)
        if len(zones) > 2 and self.random.random() < 0.30 * (1 - skill):
            kept.pop(self.random.choice(zones))
        return {zone: lungs.clips[zone] for zone in kept}

    def noticed(
        self, zones: tuple[str, ...], lungs: Chest, skill: float
    ) -> dict[str, dict[str, str]]:
        return {
            zone: FINDINGS[lungs.clips[zone]]
            for zone in zones
            if FINDINGS[lungs.clips[zone]] and self.random.random() < skill * 0.8
        }

    # -- the faculty ------------------------------------------------------------------

    def confirming(self, day: dt.date) -> None:
        """On Mondays most attendings confirm last week's exams that name them."""
        if day.weekday() != 0:
            return
        since = self.moment(day - dt.timedelta(days=7), 0)
        until = self.moment(day, 0)
        named: dict[tuple[str, str], list[uuid.UUID]] = {}
        week, self.week = self.week, [event for event in self.week if event.at >= until]
        for event in week:
            if not since <= event.at < until:
                continue
            if event.data.supervisor and event.data.id not in self.gone:
                named.setdefault((event.programme, event.data.supervisor), []).append(event.data.id)
        for index, ((programme, key), exams) in enumerate(sorted(named.items())):
            if self.random.random() < 0.85:
                at = self.moment(day, 8 + index * 0.1)
                self.event(at, "shift", programme, Shift(tuple(exams), key))

    def reading(self, day: dt.date) -> None:
        """Friday afternoons mostly, some Tuesdays; nobody reads for two weeks in August."""
        closed = self.pace.lulls and day.month == 8 and 5 <= day.day <= 21
        if day.weekday() not in (1, 4) or closed:
            return
        for programme, faculty in self.faculty.items():
            readers = [who for who in faculty if who.reads]
            turns = readers if day.weekday() == 4 else readers[day.toordinal() % 3 :: 3]
            for index, who in enumerate(turns):
                # The last weeks have been busy: a backlog waits when the demonstration opens.
                away = 0.85 if (self.today - day).days < 17 else 0.18
                if self.random.random() < (away if self.pace.lulls else 0.05):
                    continue
                start = self.moment(day, 13.0 + 0.2 * index)
                self.session(programme, who, start, self.random.randint(*self.pace.session))

    def session(self, programme: str, who: people.Who, start: dt.datetime, most: int) -> None:
        waiting = self.queue.get(programme, [])
        skipped = []
        at = start
        while waiting and most:
            entry = heapq.heappop(waiting)
            exam = entry[-1]
            mine = (
                exam.submitted_at < start - dt.timedelta(minutes=30)
                and exam.supervisor != who.key
                and exam.trainee != who.key
                and set(exam.answers) <= set(who.reads)
            )
            if not mine:
                skipped.append(entry)
                continue
            most -= 1
            at = self.one_reading(programme, who, exam, at)
        for entry in skipped:
            heapq.heappush(waiting, entry)

    def one_reading(
        self, programme: str, who: people.Who, exam: Exam, at: dt.datetime
    ) -> dt.datetime:
        rng = self.random
        chance = rng.random()
        if self.pace.turns and chance < 0.008:
            turn = Turn(exam.id, who.key, "set_aside", "", rng.choice(("duplicate", "test_entry")))
            self.event(at, "turn", programme, turn)
            return at + dt.timedelta(minutes=2)
        if self.pace.turns and chance < 0.02 and exam.id not in self.mended:
            turn = Turn(exam.id, who.key, "returned", "Please add the other side as well.")
            self.event(at, "turn", programme, turn)
            self.mend(programme, exam, at + dt.timedelta(hours=rng.uniform(14, 90)))
            return at + dt.timedelta(minutes=3)
        answers = {code: self.over_read(code, truth) for code, truth in exam.truth.items()}
        revealed = at + dt.timedelta(seconds=rng.randint(60, 200))
        signed = revealed + dt.timedelta(seconds=rng.randint(20, 90))
        wrong = any(exam.answers[code].answer != said.answer for code, said in answers.items())
        limited = all(said.answer == "limited" for said in answers.values())
        quality = (
            rng.choice((1, 2))
            if limited
            else min(5, max(1, round(rng.gauss(1.7 + 2.4 * exam.skill, 0.75))))
        )
        says = wrong or quality < 3 or rng.random() < 0.2
        items = {"depth_gain": "too_dark"} if limited else {}
        read = Read(
            exam.id, who.key, answers, quality, items, rng.choice(SENTENCES) if says else "",
            "duty_clinician", revealed, signed,
        )  # fmt: skip
        self.event(at, "read", programme, read)
        if self.pace.turns and 0.5 < chance < 0.52:
            # Seen again in the meeting, a few days later.
            later = signed + dt.timedelta(days=rng.randint(2, 9), minutes=rng.randint(1, 50))
            correction = Correction(
                exam.id, min(answers), who.key, {"depth_gain": "too_shallow"},
                "Seen again in the quality meeting: the base is cut off.",
            )  # fmt: skip
            self.event(later, "correction", programme, correction)
        said = exam.answers.get("pneumothorax")
        differs = said is not None and said.answer != answers["pneumothorax"].answer
        if self.pace.turns and differs and rng.random() < 0.85:
            # Whoever missed something looks at it within a day or two, most of the time.
            later = signed + dt.timedelta(hours=rng.uniform(2, 40))
            self.event(later, "seen", programme, exam.id)
        return signed + dt.timedelta(seconds=30)

    def mend(self, programme: str, exam: Exam, at: dt.datetime) -> None:
        """The trainee scans what was asked for, and the exam is on the list again."""
        self.mended.add(exam.id)
        if at >= self.now:
            return
        zone = next((z for z in ("R1", "L1", "RB", "LB") if z not in exam.clips), "R2")
        self.event(at, "mended", programme, Mended(exam.id, {zone: "sliding-linear"}))
        again = replace(exam, submitted_at=at)
        heapq.heappush(self.queue[programme], (0, at, -self.counter, again))

    def over_read(self, application: str, truth: str) -> Said:
        """Readers can be wrong too, now and then."""
        rng = self.random
        if truth == "limited" or rng.random() < 0.97:
            return Said(truth, "sure" if rng.random() < 0.8 else "fairly")
        other = "indeterminate" if application == "interstitial" else truth.replace("-", "?", 1)
        return Said(other, "unsure")

    # -- what is left open ------------------------------------------------------------

    def drafts(self) -> None:
        """A few exams that were begun and not sent, some of them a while ago."""
        for index, (programme, trainee, _learner) in enumerate(self.trainees(self.today)):
            if index % 3 != 1:
                continue
            ago = (1, 2, 4, 9, 12, 30)[index % 6]
            at = self.moment(self.today - dt.timedelta(days=ago), 9.0 + index * 0.3)
            item = Exam(
                id=self.identifier(), programme=programme, trainee=trainee, performed_at=at,
                answered_at=at, submitted_at=None, saved_at=at,
                fields={"setting": "clinical", "place": "", "knew_result": ""},
                supervisor="", supervisor_typed="", answers={}, truth={}, clips={}, findings={},
                note="", skill=0.0,
            )  # fmt: skip
            self.event(at, "draft", programme, item)
