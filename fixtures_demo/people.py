"""The people of the demonstration: all invented, with the days they belong since.

Pure data. Days are given in academic years and days before *today*, so that the demonstration is
always current.
"""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Mapping
from dataclasses import dataclass, field

INSTITUTION = "Harrowmere General Hospital"
ZONE = "Europe/London"
# Telephone numbers: 01632 960000-960999 are kept free for drama (Ofcom; from memory).
MAIL = "harrowmere.example"  # a name that can never be a real one (RFC 2606)
LUNG = ("pneumothorax", "consolidation", "interstitial", "effusion")

# Printed at the end of loading. One for everybody: this is a demonstration on your own machine.
PASSWORD = "tidal-volume-of-nobody"  # noqa: S105  (printed on purpose)


@dataclass(frozen=True)
class Programme:
    code: str
    name: str
    duty_telephone: str
    places: tuple[str, ...]


PROGRAMMES = (
    Programme(
        "emergency",
        "Emergency medicine",
        "01632 960142",
        ("Resuscitation room", "Majors", "Observation unit", "Rapid assessment"),
    ),
    Programme(
        "acute-medicine",
        "Acute medicine",
        "01632 960177",
        ("Acute ward", "Day unit"),
    ),
)


@dataclass(frozen=True)
class Role:
    """One role in one programme. `year`: the year of training that it began, 1 being the newest;
    4 has finished."""

    programme: str
    role: str
    level: str = ""
    year: int = 0


@dataclass(frozen=True)
class Who:
    key: str
    name: str
    roles: tuple[Role, ...]
    staff_number: str = ""
    profession: str = "physician"
    reads: tuple[str, ...] = ()

    @property
    def email(self) -> str:
        return f"{self.key}@{MAIL}"


@dataclass(frozen=True)
class Learner:
    """How one trainee works and learns; none of it is stored, only what comes of it.

    `weekly`: exams a week while present. `start`, `end`, `pace`: the chance of a right answer at
    the first exam and in the long run, and after how many exams two thirds of the way are done.
    """

    weekly: float
    start: float
    end: float
    pace: float
    away: tuple[tuple[int, int], ...] = field(default=())  # (days before today, for how many days)


_EM = "emergency"
_TRAINEES = (
    # year 3
    ("ida.marlow", "Ida Marlow", 3, Learner(0.95, 0.66, 0.95, 14)),
    ("olu.feyisola", "Olu Feyisola", 3, Learner(0.80, 0.60, 0.93, 16, ((260, 60),))),
    ("bo.lindqvist", "Bo Lindqvist", 3, Learner(0.55, 0.62, 0.90, 18)),
    ("wren.achterberg", "Wren Achterberg", 3, Learner(1.05, 0.70, 0.96, 12)),
    ("sanne.okafor", "Sanne Okafor", 3, Learner(0.70, 0.58, 0.92, 20, ((150, 45),))),
    ("tomas.brezina", "Tomás Březina", 3, Learner(0.60, 0.64, 0.91, 15)),
    ("leilani.hart", "Leilani Hart", 3, Learner(0.85, 0.61, 0.94, 13)),
    ("dov.ramberg", "Dov Ramberg", 3, Learner(0.35, 0.60, 0.84, 25, ((330, 90), (90, 60)))),
    # year 2
    ("mina.castellane", "Mina Castellane", 2, Learner(0.90, 0.60, 0.94, 13)),
    ("joren.vale", "Joren Vale", 2, Learner(0.75, 0.57, 0.92, 17)),
    ("aoife.tarrant", "Aoife Tarrant", 2, Learner(0.65, 0.63, 0.93, 14, ((210, 30),))),
    ("ravi.sundqvist", "Ravi Sundqvist", 2, Learner(1.10, 0.66, 0.95, 11)),
    ("petra.oyelaran", "Petra Oyelaran", 2, Learner(0.45, 0.55, 0.86, 24)),
    ("caspian.mori", "Caspian Mori", 2, Learner(0.80, 0.59, 0.91, 16)),
    ("noor.delacourt", "Noor Delacourt", 2, Learner(0.70, 0.62, 0.93, 15, ((120, 90),))),
    ("elif.strand", "Elif Strand", 2, Learner(0.60, 0.56, 0.90, 19)),
    # year 1
    ("hana.wexley", "Hana Wexley", 1, Learner(1.10, 0.58, 0.93, 14)),
    ("marek.ashdown", "Marek Ashdown", 1, Learner(0.80, 0.52, 0.90, 18)),
    ("zola.penhaligon", "Zola Penhaligon", 1, Learner(0.95, 0.60, 0.94, 12)),
    ("ilse.boateng", "Ilse Boateng", 1, Learner(0.60, 0.55, 0.91, 17)),
    ("kit.aldous", "Kit Aldous", 1, Learner(0.30, 0.50, 0.85, 22)),
    ("suri.halloran", "Suri Halloran", 1, Learner(0.85, 0.57, 0.92, 15)),
    ("emeka.thorne", "Emeka Thorne", 1, Learner(0.75, 0.54, 0.90, 16)),
    ("linnea.cruz", "Linnea Cruz", 1, Learner(0.50, 0.59, 0.92, 15)),
)
# Finished last June: what the present ones can be measured against.
_FINISHED = (
    ("ottilie.brandt-cole", "Ottilie Brandt-Cole", 4, Learner(1.00, 0.64, 0.95, 13)),
    ("farid.lysander", "Farid Lysander", 4, Learner(0.85, 0.60, 0.93, 15)),
    ("nyah.corrigan", "Nyah Corrigan", 4, Learner(0.70, 0.62, 0.92, 16)),
    ("stellan.adeyemi", "Stellan Adeyemi", 4, Learner(0.55, 0.58, 0.90, 18)),
    ("maeve.zielinska", "Maeve Zielinska", 4, Learner(0.95, 0.66, 0.96, 12)),
    ("quentin.abara", "Quentin Abara", 4, Learner(0.45, 0.57, 0.88, 20)),
    ("liv.castelnau", "Liv Castelnau", 4, Learner(0.80, 0.61, 0.94, 14)),
    ("hamish.rosales", "Hamish Rosales", 4, Learner(0.65, 0.59, 0.91, 17)),
)
_OTHER_TRAINEES = (
    ("bram.okonjo", "Bram Okonjo", 2, Learner(0.45, 0.58, 0.91, 15)),
    ("vera.lindgaard", "Vera Lindgaard", 1, Learner(0.60, 0.55, 0.90, 16)),
    ("silas.mbeki-rowe", "Silas Mbeki-Rowe", 1, Learner(0.40, 0.56, 0.90, 18)),
)
SHARED = "aoife.tarrant"

LEARNERS: dict[str, Learner] = {
    key: one for key, _n, _y, one in _TRAINEES + _FINISHED + _OTHER_TRAINEES
}


def everyone() -> tuple[Who, ...]:
    """All people, in the order in which they are invited."""
    people = [
        Who("tamsin.orre", "Tamsin Orre", (Role(_EM, "director"),), "20011"),
        Who("gethin.vance", "Gethin Vance", (Role(_EM, "coordinator"),), "20012", "administrator"),
        _reader("nadia.brandvold", "Nadia Brandvold", "20021", LUNG),
        _reader("ewan.sithole", "Ewan Sithole", "20022", LUNG),
        _reader("carys.lindholm", "Carys Lindholm", "20023", LUNG),
        _reader("matteo.greaves", "Matteo Greaves", "20024", LUNG),
        _reader("yuki.farrow", "Yuki Farrow", "20025", ("pneumothorax", "effusion")),
        _reader("anselm.dube", "Anselm Dube", "20026", ("pneumothorax", "effusion")),
        Who(
            "rosalind.keye",
            "Rosalind Keye",
            (Role("acute-medicine", "director"), Role("acute-medicine", "faculty")),
            "20031",
            reads=LUNG,
        ),
        Who("idris.colm", "Idris Colm", (Role("acute-medicine", "faculty"),), "20032", reads=LUNG),
    ]
    for index, (key, name, year, _learner) in enumerate(_TRAINEES):
        roles = [Role(_EM, "trainee", f"year {year}", year)]
        if key == SHARED:
            roles.append(Role("acute-medicine", "trainee", f"year {year}", 1))
        people.append(Who(key, name, tuple(roles), f"4{year}{index:03d}"))
    for index, (key, name, _year, _learner) in enumerate(_FINISHED):
        people.append(Who(key, name, (Role(_EM, "trainee", "year 3", 4),), f"44{index:03d}"))
    for index, (key, name, year, _learner) in enumerate(_OTHER_TRAINEES):
        role = Role("acute-medicine", "trainee", f"year {year}", year)
        people.append(Who(key, name, (role,), f"5{year}{index:03d}"))
    return tuple(people)


@dataclass(frozen=True)
class Company:
    """Who plays in a story: programmes, people, and how each trainee learns."""

    programmes: tuple[Programme, ...]
    people: tuple[Who, ...]
    learners: Mapping[str, Learner]


def demonstration() -> Company:
    return Company(PROGRAMMES, everyone(), LEARNERS)


def crowd(number: int, trainees: int) -> Company:
    """A programme of any size for measuring, numbered so that several stand side by side."""
    code = f"measured-{number}"
    programme = Programme(code, f"Measured programme {number}", "01632 960199", ("Ward",))
    seeded = random.Random(code)
    people = [Who(f"{code}-director", f"Director {number}", (Role(code, "director"),))]
    for index in range(max(2, trainees // 5)):
        key = f"{code}-reader-{index}"
        name = f"Reader {number}.{index}"
        people.append(Who(key, name, (Role(code, "faculty"),), reads=LUNG))
    learners = {}
    for index in range(trainees):
        key, year = f"{code}-trainee-{index}", 2 + index % 2
        role = Role(code, "trainee", f"year {year}", year)
        people.append(Who(key, f"Trainee {number}.{index}", (role,), f"{number}{index:05d}"))
        start = seeded.uniform(0.5, 0.68)
        learners[key] = Learner(1.0, start, seeded.uniform(0.85, 0.96), seeded.uniform(10, 25))
    return Company((programme,), tuple(people), learners)


def _reader(key: str, name: str, number: str, reads: tuple[str, ...]) -> Who:
    return Who(key, name, (Role(_EM, "faculty"),), number, reads=reads)


def academic_year(today: dt.date, year: int) -> tuple[dt.date, dt.date]:
    """First and last day of training of somebody in `year` of three, each from 1 July; 4 ended
    last June."""
    newest = today.year if (today.month, today.day) >= (7, 1) else today.year - 1
    first = newest - (year - 1)
    return dt.date(first, 7, 1), dt.date(first + 3, 6, 30)


# Shown when loading is done: who to sign in as, and what is worth looking at.
SIGN_INS = (
    ("trainee", "mina.castellane", "home with rulers, feedback, a new exam"),
    ("trainee in two programmes", SHARED, "switch between them"),
    ("faculty", "nadia.brandvold", "the reading list"),
    ("coordinator", "gethin.vance", "people and schedules"),
    ("director", "tamsin.orre", "cohort, plans, reports"),
)
