"""Random plans and histories, small and dense enough that everything collides."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from hypothesis import strategies as st

from credentialing.measures import (
    AsOf,
    Assessment,
    Clause,
    Confirmation,
    Document,
    Fact,
    Gate,
    History,
    Plan,
    Procedure,
    Reference,
    Remediation,
    Transfer,
    Waiting,
)
from credentialing.measures.plans import COUNTS
from logbook.answers import Answer, compare

APPLICATIONS = ("pneumothorax", "interstitial", "cardiac")
GROUPS = {"pneumothorax": "lung", "interstitial": "lung", "cardiac": "heart"}
CALLS = ("positive", "negative", "focal", "indeterminate", "limited")
# Around a leap day, a month of 31 and one of 30.
START = dt.date(2024, 1, 20)
LENGTH = 75


@st.composite
def clauses(draw, ordinal=1):
    measure = draw(
        st.sampled_from(
            [
                "credited",
                "credited",
                "positive",
                "negative",
                "with_finding",
                "supervised",
                "adequate",
                "read",
                "adequate_share",
                "agreement",
                "determinate",
                "quality",
                "elapsed_months",
            ]
        )
    )
    share = measure in ("adequate_share", "agreement", "determinate")
    count = measure not in (
        "adequate_share",
        "agreement",
        "determinate",
        "quality",
        "elapsed_months",
    )
    direction = draw(st.sampled_from(["at_least", "at_least", "at_most"]))
    where = draw(st.sampled_from(["application", "group", "all"]))
    if share:
        bar = draw(st.sampled_from([0.25, 0.5, 0.6, 0.75, 1.0]))
    elif measure == "elapsed_months":
        bar = draw(st.integers(1, 2))
    else:
        bar = draw(st.integers(1, 4))
    windowed = measure != "elapsed_months" and draw(st.booleans())
    return Clause(
        ordinal=ordinal,
        measure=measure,
        bar=bar,
        direction=direction,
        application=draw(st.sampled_from(APPLICATIONS)) if where == "application" else "",
        group="lung" if where == "group" else "",
        unit=draw(st.sampled_from(["scan", "exam"])) if count else "scan",
        within_months=draw(st.integers(1, 2)) if windowed else None,
        mode=draw(st.sampled_from(["", "once", "still"])) if direction == "at_least" else "",
        normal_cap=draw(st.sampled_from([None, 0, 1, 2])) if measure == "credited" else None,
        finding="septated" if measure == "with_finding" else "",
        cut=draw(st.integers(2, 4)),
        bound=share and draw(st.booleans()),
        min_n=draw(st.sampled_from([1, 2, 3])) if not count else None,
        min_each=draw(st.sampled_from([0, 1])) if measure == "agreement" else None,
    )


def clauses_that_look_back():
    """`once` with a window or of a share: what is current now, on some day up to now."""
    return (
        clauses()
        .filter(lambda c: c.measure != "elapsed_months" and c.direction == "at_least")
        .map(
            lambda c: replace(
                c,
                mode="once",
                bar=min(c.bar, 2),
                within_months=c.within_months or (1 if c.measure in COUNTS else None),
            )
        )
    )


@st.composite
def plans(draw):
    gates, ordinal = [], 0
    for number in range(draw(st.integers(1, 2))):
        inside = []
        for _ in range(draw(st.integers(1, 3))):
            ordinal += 1
            inside.append(draw(clauses(ordinal)))
        combine = draw(st.sampled_from(["all", "any", 1, min(2, len(inside))]))
        gates.append(Gate(number + 1, tuple(inside), combine))
    return Plan(tuple(gates))


SIDED = ("R+ L-", "R+ L-", "R- L-", "R- L-", "R- L+", "R+ L+", "R? L-", "R+ L?", "limited")
PATTERNS = ("none", "diffuse", "focal R", "focal L", "focal R L", "indeterminate", "limited")


@st.composite
def wider_clauses(draw, ordinal=1):
    """The measures that need more than one attestation at a time, and what a clause may add."""
    measure = draw(
        st.sampled_from(
            [
                "credited", "positive", "negative", "supervised", "read", "assessed", "document",
                "procedure", "readers", "per_period", "adequate_share", "agreement", "determinate",
                "positive_agreement", "negative_agreement", "sensitivity", "specificity",
                "clinical_share", "unread_share", "elapsed_months", "agreement",
            ]
        )
    )  # fmt: skip
    share = measure.endswith(("share", "agreement", "ity")) or measure == "determinate"
    counted = measure in COUNTS or measure == "per_period"
    looked = measure in ("adequate_share", "agreement", "determinate") or "_agreement" in measure
    direction = draw(st.sampled_from(["at_least", "at_least", "at_most"]))
    bound = looked and draw(st.sampled_from([True, True, False]))
    where = draw(st.sampled_from(["application", "group", "all"]))
    windowed = measure not in ("elapsed_months", "per_period") and draw(
        st.sampled_from([True, False, False])
    )
    bar = draw(st.sampled_from([0.2, 0.5, 0.75]) if share else st.integers(1, 3))
    return Clause(
        ordinal=ordinal,
        measure=measure,
        bar=bar,
        direction=direction,
        application=draw(st.sampled_from(APPLICATIONS)) if where == "application" else "",
        group="lung" if where == "group" else "",
        unit=draw(st.sampled_from(["scan", "exam", "patient"])) if counted else "scan",
        within_months=draw(st.integers(1, 2)) if windowed else None,
        mode=draw(st.sampled_from(["", "once", "still"])) if direction == "at_least" else "",
        normal_cap=draw(st.sampled_from([None, 1])) if measure == "credited" else None,
        bound=bound,
        min_n=draw(st.sampled_from([1, 2])) if share else None,
        min_each=0 if measure == "agreement" else None,
        focal=draw(st.sampled_from(["apart", "positive", "negative"]))
        if "agreement" in measure
        else draw(st.sampled_from(["apart", "positive"]))
        if measure == "positive"
        else "apart",
        step=draw(st.integers(1, 3)),
        since=draw(
            st.sampled_from(["", "", "", "2024-02-10", "course", "course:basic", "remediation"])
        ),
        level=draw(st.sampled_from([3, 4])),
        summative=draw(st.booleans()) if measure == "assessed" else False,
        kind={"document": draw(st.sampled_from(["course", "course:basic", "written_test"]))}.get(
            measure, ""
        ),
        which=draw(st.sampled_from(["done", "supervised", "complications"])),
        period=draw(st.sampled_from(["month", "week", "week"])),
        periods=draw(st.integers(1, 3)),
        max_share=draw(st.sampled_from([None, 0.5, 0.7])) if measure == "readers" else None,
        transfer_share=draw(st.sampled_from([0.5, 1.0])),
    )


@st.composite
def linked_plans(draw):
    """Clauses that leave scans to one another, come after one another, or share a window."""
    inside = [draw(clauses(1)), draw(wider_clauses(2))]
    inside = [one for one in inside if one.measure in COUNTS] or [Clause(1, "credited", 2)]
    inside = [replace(one, ordinal=n) for n, one in enumerate(inside, start=1)]
    last = draw(st.one_of(clauses(), wider_clauses()))
    link = draw(st.sampled_from(["further", "after", "both"]))
    ordinals = tuple(one.ordinal for one in inside)
    last = replace(
        last,
        ordinal=len(inside) + 1,
        further=ordinals if link != "after" and last.measure in COUNTS else (),
        after=draw(st.sampled_from(ordinals)) if link != "further" else None,
    )
    return Plan((Gate(1, (*inside, last), draw(st.sampled_from(["all", "any"]))),))


@st.composite
def best_plans(draw):
    some = draw(
        st.lists(
            st.one_of(clauses(), wider_clauses()).filter(
                lambda c: c.measure in COUNTS and c.direction == "at_least"
            ),
            min_size=1,
            max_size=3,
        )
    )
    inside = tuple(
        replace(one, ordinal=n, within_months=None, mode="") for n, one in enumerate(some, start=1)
    )
    months = draw(st.integers(1, 2))
    combine = draw(st.sampled_from(["all", "any"]))
    return Plan((Gate(1, inside, combine, window="best", within_months=months),))


readings = st.fixed_dictionaries(
    {
        "credited": st.sampled_from([True, True, True, False]),
        "in_read": st.sampled_from([True, True, False]),
        "quality": st.sampled_from([None, 1, 2, 3, 3, 4, 5]),
        "reader_call": st.sampled_from(CALLS),
        "reader": st.sampled_from(["bo", "uma", "kit"]),
        "setting": st.sampled_from(["clinical", "clinical", "volunteer"]),
        "first_quality": st.sampled_from([None, 1, 2, 3, 3, 4, 5]),
        "findings": st.sampled_from([frozenset(), frozenset({"septated"})]),
        "answers": st.tuples(st.integers(0, 62), st.integers(0, 62)),
    }
)


def answered(application, numbers):
    """A trainee's answer and a reader's, with what comparing them says."""
    codes = PATTERNS if application == "interstitial" else SIDED
    said, read = (codes[number % len(codes)] for number in numbers)
    found = compare(Answer.parse(said), Answer.parse(read))
    return {
        "trainee_answer": said,
        "first_answer": read,
        "trainee_call": Answer.parse(said).call,
        "first_call": Answer.parse(read).call,
        "pair": found.pair,
        "agrees": found.agrees,
        "determinate": found.determinate,
    }


@st.composite
def histories(draw, most_exams=7, attested=(0, 1, 1, 1, 2, 3), wider=False):
    """Ledger positions follow the days, as on a chain. attested: how often a scan may be. wider:
    with records beside the scans, exams of one patient, and scans that left the list unread."""
    pending = []  # (day, tie, kind, payload)
    for number in range(draw(st.integers(0, most_exams))):
        exam = f"exam-{number}"
        performed = START + dt.timedelta(days=draw(st.integers(0, LENGTH - 10)))
        received = performed + dt.timedelta(days=draw(st.integers(0, 3)))
        supervision = draw(st.sampled_from(["", "direct", "direct", "indirect"]))
        asked = draw(st.lists(st.sampled_from(APPLICATIONS), min_size=1, unique=True))
        patient = draw(st.sampled_from([None, "exam-0"])) if wider else None
        if draw(st.booleans()):
            day = received + dt.timedelta(days=draw(st.integers(0, 20)))
            kind = draw(st.sampled_from(["direct", "direct", "indirect"]))
            pending.append((day, draw(st.integers(0, 99)), "confirm", (exam, kind)))
        for application in asked:
            scan = f"{exam}/{application}"
            base = (exam, scan, application, performed, received, supervision, patient)
            signed = received
            for ordinal in range(1, draw(st.sampled_from(attested)) + 1):
                signed = signed + dt.timedelta(days=draw(st.integers(0, 25)))
                tie = draw(st.integers(0, 99)) + 100 * ordinal
                pending.append((signed, tie, "sign", (*base, ordinal, draw(readings))))
            if not any(p[2] == "sign" and p[3][1] == scan for p in pending):
                gone = draw(st.sampled_from([None, 0, 9])) if wider else None
                pending.append((received, 0, "wait", (*base, draw(st.booleans()), gone)))
    pending += draw(records(pending)) if wider else []
    pending.sort(key=lambda one: (one[0], one[1], str(one[3][:2])))
    facts, confirmations, waiting, received_days = [], [], [], []
    ended, rows, returns = [], [], {}
    for seq, (day, _tie, kind, payload) in enumerate(pending, start=1):
        if kind == "confirm":
            confirmations.append(Confirmation(payload[0], payload[1], day, seq))
            continue
        if kind == "record":
            rows.append(payload[1](id=seq, seq=seq, recorded_on=day, **payload[2]))
            continue
        exam, scan, application, performed, received, supervision, patient = payload[:7]
        received_days.append(received)
        if kind == "wait":
            returned, gone = payload[7:]
            wait = Waiting(exam, scan, application, performed, received)
            if returned:
                returns[scan] = [(0, None)]
            if gone is None:
                waiting.append(wait)
            else:
                gone_on = received + dt.timedelta(days=gone)
                ended.append(replace(wait, ended_on=gone_on))
            continue
        ordinal, reading = payload[7], dict(payload[8])
        reading |= answered(application, reading.pop("answers"))
        facts.append(
            Fact(
                exam,
                scan,
                application,
                ordinal,
                performed,
                None,
                received,
                day,
                seq,
                supervision=supervision,
                patient=patient,
                **reading,
            )
        )
    rows = list(superseded(rows, "chain"))
    return History(
        tuple(superseded(facts)),
        tuple(confirmations),
        tuple(waiting),
        GROUPS,
        min(received_days, default=None),
        tuple(ended),
        *(
            tuple(row for row in rows if isinstance(row, kind))
            for kind in (Assessment, Document, Procedure, Transfer, Remediation, Reference)
        ),
        returns=returns,
    )


def superseded(facts, chain="scan"):
    """Each attestation of a scan replaces the one before it; so does each row of a chain."""
    following = {(getattr(f, chain), f.ordinal): f for f in facts}
    for fact in facts:
        after = following.get((getattr(fact, chain), fact.ordinal + 1))
        if after is None:
            yield fact
        else:
            yield replace(fact, superseded_on=after.signed_on, superseded_seq=after.seq)


@st.composite
def records(draw, pending):
    """Rows beside the scans, some of them corrected once or twice: (day, tie, "record", ...)."""
    scans = sorted({p[3][1] for p in pending if p[2] == "sign"})
    out = []
    for number in range(draw(st.integers(0, 5))):
        kinds = [Assessment, Document, Document, Procedure, Transfer, Remediation]
        kind = draw(st.sampled_from([*kinds, Reference, Reference] if scans else kinds))
        on = START + dt.timedelta(days=draw(st.integers(-20, LENGTH - 10)))
        chain = f"row-{number}"
        if kind is Reference:
            side = draw(st.sampled_from(["right", "left"]))
            chain = (draw(st.sampled_from(scans)), side)
            if any(p[3][2]["chain"] == chain for p in out):
                continue
        day = max(on, START)
        for ordinal in range(1, draw(st.sampled_from([1, 1, 2])) + 1):
            day += dt.timedelta(days=draw(st.integers(0, 20)))
            if kind is Reference:
                scan = next(p[3] for p in pending if p[2] == "sign" and p[3][1] == chain[0])
                says = {
                    "performed_on": scan[3],
                    "side": chain[1],
                    "answer": draw(st.sampled_from(["positive", "negative"])),
                    "kind": draw(st.sampled_from(["ct", "ct", "radiograph"])),
                }
                day = max(day, scan[3])
            else:
                says = draw(SAYS[kind]) | {"performed_on": on}
            if kind is Transfer:
                says["performed_from"] = on - dt.timedelta(days=draw(st.integers(0, 30)))
            application = "" if kind in (Document, Procedure) else says.pop("about", "")
            says |= {"chain": chain, "ordinal": ordinal, "application": application}
            tie = draw(st.integers(0, 99)) + 100 * ordinal
            out.append((day, tie, "record", (str(chain), kind, says)))
    return out


_applications = st.sampled_from(APPLICATIONS)
SAYS = {
    Assessment: st.fixed_dictionaries(
        {
            "about": _applications,
            "level": st.integers(2, 5),
            "summative": st.booleans(),
            "assessor": st.sampled_from(["bo", "uma"]),
        }
    ),
    Document: st.fixed_dictionaries(
        {
            "kind": st.sampled_from(["course", "course", "written_test"]),
            "code": st.sampled_from(["", "basic"]),
            "valid_until": st.sampled_from([None, START + dt.timedelta(days=45)]),
        }
    ),
    Procedure: st.fixed_dictionaries({"supervised": st.booleans(), "complications": st.booleans()}),
    Transfer: st.one_of(
        st.fixed_dictionaries({"about": _applications, "count": st.integers(1, 3)}),
        st.fixed_dictionaries(
            {"about": _applications, "measure": st.just("assessed"), "level": st.integers(3, 5)}
        ),
        st.fixed_dictionaries({"measure": st.just("document"), "kind": st.just("course")}),
    ),
    Remediation: st.fixed_dictionaries({"about": st.sampled_from(["", *APPLICATIONS])}),
}


@st.composite
def moments(draw, history):
    d = START + dt.timedelta(days=draw(st.integers(0, LENGTH + 10)))
    d2 = d + dt.timedelta(days=draw(st.sampled_from([0, 0, 5, 30])))
    by_d2 = [f.seq for f in history.facts if f.signed_on <= d2]
    by_d2 += [c.seq for c in history.confirmations if c.on <= d2]
    rows = (
        *history.assessments, *history.documents, *history.procedures, *history.transfers,
        *history.remediations, *history.references,
    )  # fmt: skip
    by_d2 += [row.seq for row in rows if row.recorded_on <= d2]
    n = max(by_d2, default=0)
    return AsOf(d, d2, draw(st.sampled_from([n, n, max(0, n - 2)])))
