"""What happened in the demonstration: eighteen months of invented exams, readings and gaps.

Pure and seeded: the same *now* gives the same story. The story only says who did what when; the
loader makes it true through the service's own actions, so nothing here knows a table.
"""

from __future__ import annotations

import datetime as dt
import heapq
import math
import random
import uuid
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from fixtures_demo import people
from fixtures_demo.people import LUNG

MONTHS = 18
DAYS = 548
SEED = 20
MOST_EXAMS = 1500
USUAL = 0.66  # scales everybody, so that the whole loads in about a minute

SIDES = ("R", "L")
ALL_ZONES = tuple(side + place for side in SIDES for place in ("1", "2", "3", "4", "B"))


# -- what a patient has ----------------------------------------------------------------


@dataclass(frozen=True)
class Chest:
    """The lungs of one invented patient: which clip each zone shows, and the true answers."""

    name: str
    clips: dict[str, str]
    truth: dict[str, str]  # application -> Answer.code


def _plain(front: str = "sliding-linear", rest: str = "sliding-curvilinear") -> dict[str, str]:
    return {zone: front if zone[1] in "12" else rest for zone in ALL_ZONES}


NOTHING = {
    "pneumothorax": "R- L-",
    "consolidation": "R- L-",
    "interstitial": "none",
    "effusion": "R- L-",
}


def _sided(side: str) -> str:
    return "R+ L-" if side == "R" else "R- L+"


def chest(kind: str, side: str, deep: bool) -> Chest:
    """A chest of one kind. `deep`: the front was scanned deep, as for B-lines."""
    clips = _plain("sliding-curvilinear" if deep else "sliding-linear")
    truth = dict(NOTHING)
    if kind == "pneumothorax":
        clips[side + "1"], clips[side + "2"] = "no-sliding", "lung-point"
        truth["pneumothorax"] = _sided(side)
    elif kind == "wet":
        for zone in ALL_ZONES:
            if zone[1] != "B":
                clips[zone] = "b-lines-confluent" if zone[1] in "34" else "b-lines-five"
        truth["interstitial"] = "diffuse"
    elif kind == "patchy":
        clips[side + "3"], clips[side + "4"] = "b-lines-five", "b-lines-five"
        clips[side + "2"] = "b-lines-two"
        truth["interstitial"] = f"focal {side}"
    elif kind == "consolidated":
        clips[side + "4"], clips[side + "B"] = "consolidation", "consolidation"
        clips[side + "3"] = "b-lines-five"
        truth |= {"consolidation": _sided(side), "interstitial": f"focal {side}"}
    elif kind in ("fluid", "septated"):
        clips[side + "B"] = "effusion" if kind == "fluid" else "effusion-septated"
        truth["effusion"] = _sided(side)
    elif kind == "dark":
        clips = dict.fromkeys(ALL_ZONES, "too-dark")
        truth = dict.fromkeys(NOTHING, "limited")
    elif kind == "shallow":
        for zone in ALL_ZONES:
            if zone[1] != "B":
                clips[zone] = "b-lines-too-shallow"
        truth["interstitial"] = "limited"
    elif kind != "normal":
        raise ValueError(f"no such chest: {kind}")
    return Chest(kind, clips, truth)


CHESTS = (
    ("normal", 40), ("wet", 13), ("patchy", 9), ("consolidated", 10), ("fluid", 10),
    ("septated", 3), ("pneumothorax", 8), ("dark", 3), ("shallow", 4),
)  # fmt: skip

# What is asked, in which zones, how often.
ASKS = (
    (("pneumothorax",), ("R1", "L1", "R2", "L2"), 30),
    (("effusion",), ("RB", "LB"), 16),
    (("pneumothorax", "effusion"), ("R1", "L1", "RB", "LB"), 20),
    (("interstitial",), tuple(z for z in ALL_ZONES if z[1] != "B"), 18),
    (LUNG, ALL_ZONES, 16),
)

FINDINGS = {
    "sliding-linear": {"sliding": "present", "a_lines": "present"},
    "sliding-curvilinear": {"sliding": "present", "b_lines": "0"},
    "no-sliding": {"sliding": "absent", "a_lines": "present"},
    "lung-point": {"sliding": "absent", "lung_point": "seen"},
    "b-lines-two": {"b_lines": "2"},
    "b-lines-five": {"b_lines": "5+"},
    "b-lines-confluent": {"b_lines": "confluent"},
    "b-lines-too-shallow": {},
    "consolidation": {"consolidation": "lobar", "shred": "seen", "air_bronchogram": "static"},
    "effusion": {"effusion": "moderate", "fluid_echo": "anechoic", "fluid_septa": "simple"},
    "effusion-septated": {
        "effusion": "moderate", "fluid_echo": "echogenic", "fluid_septa": "septated",
    },
    "too-dark": {},
}  # fmt: skip


# -- events ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Said:
    """One answer as given: its code and how sure."""

    answer: str
    confidence: str


@dataclass(frozen=True)
class Exam:
    id: uuid.UUID
    programme: str
    trainee: str
    performed_at: dt.datetime
    answered_at: dt.datetime
    submitted_at: dt.datetime | None  # None: still a draft
    saved_at: dt.datetime
    fields: dict[str, str]
    supervisor: str  # key of a person, "" where only typed
    supervisor_typed: str
    answers: dict[str, Said]
    truth: dict[str, str]
    clips: dict[str, str]  # zone -> slug
    findings: dict[str, dict[str, str]]
    note: str
    skill: float


@dataclass(frozen=True)
class Event:
    """Something that happens at a moment. `kind` names the loader's method."""

    at: dt.datetime
    order: int
    kind: str
    programme: str
    data: object = field(compare=False)

    def __lt__(self, other: Event) -> bool:
        return (self.at, self.order) < (other.at, other.order)


@dataclass(frozen=True)
class Read:
    """A whole reading of one exam by one reader, from hold to signature."""

    exam: uuid.UUID
    reader: str
    answers: dict[str, Said]
    quality: int
    items: dict[str, str]
    sentence: str
    told: str  # whom the reader telephones where the answers differ urgently, a code
    revealed_at: dt.datetime
    signed_at: dt.datetime


@dataclass(frozen=True)
class Shift:
    exams: tuple[uuid.UUID, ...]
    by: str


@dataclass(frozen=True)
class Turn:
    """An exam that is not read: withdrawn by the trainee, or returned or set aside by a reader."""

    exam: uuid.UUID
    by: str
    what: str  # "withdrawn", "returned", "set_aside"
    sentence: str
    reason: str = ""


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

    def pick(self, weighted: Iterable[tuple]) -> tuple:
        rows = list(weighted)
        return self.random.choices(rows, weights=[row[-1] for row in rows])[0]

    # -- the days ---------------------------------------------------------------------

    def events(self) -> list[Event]:
        day = self.first
        while day <= self.today:
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
        if self.pace.turns and rng.random() < 0.012:
            taken_back = submitted + dt.timedelta(minutes=rng.randint(5, 50))
            self.event(taken_back, "turn", programme, Turn(item.id, trainee, "withdrawn", ""))
            return
        urgent = 0 if "pneumothorax" in applications else 1
        heapq.heappush(self.queue.setdefault(programme, []), (urgent, submitted, self.count, item))

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
        if self.pace.turns and chance < 0.02 and (self.today - at.date()).days < 13:
            turn = Turn(exam.id, who.key, "returned", "Please add the other side as well.")
            self.event(at, "turn", programme, turn)
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
        said = exam.answers.get("pneumothorax")
        differs = said is not None and said.answer != answers["pneumothorax"].answer
        if self.pace.turns and differs and rng.random() < 0.85:
            # Whoever missed something looks at it within a day or two, most of the time.
            later = signed + dt.timedelta(hours=rng.uniform(2, 40))
            self.event(later, "seen", programme, exam.id)
        return signed + dt.timedelta(seconds=30)

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
