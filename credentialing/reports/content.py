"""What a report says, before anyone lays it out.

A report's content is a function of the people, (D, D2, N), the plan version, the template
version, the language and the release, and of nothing else: no clock, no order of rows in a table.
The PDF, the CSV and later the signature are made from these bytes alone, so two runs on the same
record give the same file.

Pure: imports no Django. Dates are ISO strings, shares are counts (numerator, denominator) with
the value worked out once here; a value that is *not yet known* is null and never zero.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any, Literal, NotRequired, TypedDict

import rfc8785

SCHEMA = 3
# One up whenever the layout or a sentence of the printed page changes.
TEMPLATE = 4
RELEASE = "0.1.0"

State = Literal["met", "not_met", "not_yet_known"]


class Unsound(ValueError):
    """The content contradicts itself; no page is made of it."""


class AsOf(TypedDict):
    """D, D2 and N: the three numbers that fix what the report may know."""

    performed_by: str  # D: scans performed on or before this local day
    read_by: str  # D2: readings signed by the end of this local day
    position: int  # N: entries of the programme's ledger that were taken into account
    position_hash: str  # the hash of entry N, "" where N is 0
    zone: str  # the programme's time zone, in which both days are meant


class Plan(TypedDict):
    """The local numbers that the person is held against."""

    code: str
    name: str
    version: int
    approved_on: str | None
    approved_by: str
    sources: str  # where the numbers come from, in the words of the plan


class Clause(TypedDict):
    """One number of the plan and where the person is against it."""

    ordinal: int
    gate: str
    text: str
    measure: str
    application: str  # "" for a whole group
    unit: Literal["scan", "exam", "month", "share", "level"]
    direction: Literal["at_least", "at_most"]
    bar: int | float
    numerator: int
    denominator: int | None
    value: int | float | None  # null: not yet known
    min_n: int | None
    lower: float | None  # Wilson, 95%
    upper: float | None
    mode: Literal["once", "still"]
    state: State
    first_met_on: str | None
    met_since: str | None
    lost_on: str | None
    lost_because: str
    reached_with: str | None  # performed on
    reached_signed_on: str | None
    source: str


class Accuracy(TypedDict):
    """The set of independent first readings of one application, by over-read."""

    application: str
    name: str
    read: int
    pairs: int
    agree: int
    lower: float | None
    upper: float | None
    determinate: int
    positive: int  # pairs that the reader called positive (or diffuse)
    always_negative: int  # pairs that "always negative" would have matched
    always_positive: int
    adequate: int
    quality: list[int]  # how many were marked 1, 2, 3, 4, 5
    table: list[tuple[str, str, int]]  # trainee's call, reader's call, how many


class Beside(TypedDict):
    """What is not in the set of independent readings, and is always printed beside it."""

    drafts_old: int
    withdrawn: int
    returned: int
    closed: int
    set_aside: int
    late: int
    not_independent: int
    corrected: int


class Scan(TypedDict):
    """One line of the list that the numbers add up from."""

    exam_code: str
    performed_on: str
    signed_on: str
    application: str
    trainee_answer: str
    reader_answer: str
    quality: int | None
    credited: bool
    credit_reasons: str
    in_read: bool
    not_in_read_because: str
    supervision: str
    reader: str


class Trainee(TypedDict):
    id: str
    name: str
    legal_name: str  # "" where the programme had not entered it by then
    staff_number: str
    profession: str
    level: str
    starts_on: str
    ends_on: str | None
    plan: Plan | None
    state: State
    met_on: str | None
    clauses: list[Clause]
    credited_scans: int
    credited_exams: int
    waiting_unread: int
    waiting_returned: int
    accuracy: list[Accuracy]
    beside: Beside
    scans: NotRequired[list[Scan]]  # present for one trainee, absent for the cohort


class Sheet(TypedDict):
    """What the programme prints on each report. Empty texts are not printed."""

    n: int
    heading: str  # the programme's own header, as its counsel asks
    contact: str  # whom to ring
    reviewed: str  # how scans were reviewed, in the programme's words
    paper: Literal["a4", "letter"]


class Recommendation(TypedDict):
    """The director's own statement; only an issued report has one."""

    recommends: bool | None  # null: the director makes no recommendation
    sentence: str
    by: str
    on: str


class Head(TypedDict):
    schema: int
    template: int
    release: str
    language: str
    copy: Literal["inside", "outside"]
    scope: Literal["trainee", "cohort"]
    issued: bool
    institution: str
    programme: str
    programme_code: str
    as_of: AsOf
    sheet: Sheet
    recommendation: Recommendation | None


class Content(Head):
    """The inside copy: one trainee with the list of scans, or the cohort."""

    people: list[Trainee]


class Outside(Head):
    """The outside copy: see reports/outside.py for what may be in `person`."""

    person: dict[str, Any]


def canonical(content: Head) -> bytes:
    """The one spelling of a content (RFC 8785), UTF-8 bytes, whatever order its rows came in."""
    ordered = in_order(content) if "people" in content else content  # type: ignore[arg-type]
    return rfc8785.dumps(ordered)  # type: ignore[arg-type]


def digest(content: Head) -> str:
    """SHA-256 of the canonical bytes, 64 hexadecimal digits."""
    return hashlib.sha256(canonical(content)).hexdigest()


def in_order(content: Content) -> Content:
    """The same content with every list in its defined order, whatever order the rows came in.

    People by (name, id); clauses by ordinal; scans by (performed, code, application, signed).
    Orders are by code point, so no collation of a database or a locale has a say.
    """
    people = []
    for person in sorted(content["people"], key=lambda one: (one["name"], one["id"])):
        ordered = dict(person)
        ordered["clauses"] = sorted(person["clauses"], key=lambda one: one["ordinal"])
        ordered["accuracy"] = [
            {**one, "table": sorted(tuple(row) for row in one["table"])}
            for one in person["accuracy"]
        ]
        if "scans" in person:
            ordered["scans"] = sorted(
                person["scans"],
                key=lambda one: (
                    one["performed_on"],
                    one["exam_code"],
                    one["application"],
                    one["signed_on"],
                ),
            )
        people.append(ordered)
    return {**content, "people": people}  # type: ignore[typeddict-item]


def check(content: Content) -> None:
    """Raises Unsound where the content's numbers contradict each other."""
    wrong = list(contradictions(content))
    if wrong:
        raise Unsound(" ".join(wrong))


def contradictions(content: Content) -> Iterator[str]:
    """Sentences about numbers in the content that cannot all be true; none for a sound one.

    A report is a thing that people act on: the exports refuse to print one that contradicts itself.
    """
    for person in content["people"]:
        who = person["name"]
        for clause in person["clauses"]:
            of = clause["denominator"]
            if of is not None and not 0 <= clause["numerator"] <= of:
                yield f"{who}, clause {clause['ordinal']}: {clause['numerator']} of {of}."
            if clause["state"] == "met" and clause["value"] is None:
                yield f"{who}, clause {clause['ordinal']}: met, but its value is not known."
        for one in person["accuracy"]:
            if not one["agree"] <= one["determinate"] <= one["pairs"] <= one["read"]:
                yield f"{who}, {one['name']}: agreeing, committed, pairs and read do not nest."
            if sum(one["quality"]) > one["read"]:
                yield f"{who}, {one['name']}: more quality marks than readings."
            if sum(row[2] for row in one["table"]) != one["read"]:
                yield f"{who}, {one['name']}: the table of answers does not add up to the readings."
        if "scans" in person:
            credited = [scan for scan in person["scans"] if scan["credited"]]
            if len(credited) != person["credited_scans"]:
                counted = person["credited_scans"]
                yield f"{who}: {len(credited)} credited scans listed, {counted} counted."
            if len({scan["exam_code"] for scan in credited}) != person["credited_exams"]:
                yield f"{who}: the exams of the listed scans are not the exams counted."
            read = sum(one["read"] for one in person["accuracy"])
            listed = sum(scan["in_read"] for scan in person["scans"])
            if listed != read:
                yield f"{who}: {listed} independent readings listed, {read} counted."
