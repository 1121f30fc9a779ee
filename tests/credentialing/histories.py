"""Random plans and histories, small and dense enough that everything collides."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from hypothesis import strategies as st

from credentialing.measures import (
    AsOf,
    Clause,
    Confirmation,
    Fact,
    Gate,
    History,
    Plan,
    Waiting,
)
from credentialing.measures.plans import COUNTS

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


readings = st.fixed_dictionaries(
    {
        "credited": st.sampled_from([True, True, True, False]),
        "in_read": st.sampled_from([True, True, False]),
        "quality": st.sampled_from([None, 1, 2, 3, 3, 4, 5]),
        "reader_call": st.sampled_from(CALLS),
        "first_call": st.sampled_from(CALLS),
        "first_quality": st.sampled_from([None, 1, 2, 3, 3, 4, 5]),
        "findings": st.sampled_from([frozenset(), frozenset({"septated"})]),
        "comparison": st.sampled_from(
            [
                (True, True, True),
                (True, True, True),
                (True, False, True),
                (True, False, False),
                (False, False, False),
            ]
        ),
    }
)


@st.composite
def histories(draw, most_exams=7, attested=(0, 1, 1, 1, 2, 3)):
    """Ledger positions follow the days, as on a chain. attested: how often a scan may be."""
    pending = []  # (day, tie, kind, payload)
    for number in range(draw(st.integers(0, most_exams))):
        exam = f"exam-{number}"
        performed = START + dt.timedelta(days=draw(st.integers(0, LENGTH - 10)))
        received = performed + dt.timedelta(days=draw(st.integers(0, 3)))
        supervision = draw(st.sampled_from(["", "direct", "direct", "indirect"]))
        asked = draw(st.lists(st.sampled_from(APPLICATIONS), min_size=1, unique=True))
        if draw(st.booleans()):
            day = received + dt.timedelta(days=draw(st.integers(0, 20)))
            kind = draw(st.sampled_from(["direct", "direct", "indirect"]))
            pending.append((day, draw(st.integers(0, 99)), "confirm", (exam, kind)))
        for application in asked:
            scan = f"{exam}/{application}"
            base = (exam, scan, application, performed, received, supervision)
            signed = received
            for ordinal in range(1, draw(st.sampled_from(attested)) + 1):
                signed = signed + dt.timedelta(days=draw(st.integers(0, 25)))
                tie = draw(st.integers(0, 99)) + 100 * ordinal
                pending.append((signed, tie, "sign", (*base, ordinal, draw(readings))))
            if not any(p[2] == "sign" and p[3][1] == scan for p in pending):
                pending.append((received, 0, "wait", (*base, draw(st.booleans()))))
    pending.sort(key=lambda one: (one[0], one[1], str(one[3][:2])))
    facts, confirmations, waiting, received_days = [], [], [], []
    for seq, (day, _tie, kind, payload) in enumerate(pending, start=1):
        if kind == "confirm":
            confirmations.append(Confirmation(payload[0], payload[1], day, seq))
            continue
        exam, scan, application, performed, received, supervision = payload[:6]
        received_days.append(received)
        if kind == "wait":
            waiting.append(
                Waiting(exam, scan, application, performed, received, returned=payload[6])
            )
            continue
        ordinal, reading = payload[6], dict(payload[7])
        pair, agrees, determinate = reading.pop("comparison")
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
                pair=pair,
                agrees=agrees,
                determinate=determinate,
                **reading,
            )
        )
    return History(
        tuple(superseded(facts)),
        tuple(confirmations),
        tuple(waiting),
        GROUPS,
        min(received_days, default=None),
    )


def superseded(facts):
    """Each attestation of a scan replaces the one before it."""
    following = {(f.scan, f.ordinal): f for f in facts}
    for fact in facts:
        after = following.get((fact.scan, fact.ordinal + 1))
        values = {name: getattr(fact, name) for name in Fact.__slots__}
        if after is not None:
            values |= {"superseded_on": after.signed_on, "superseded_seq": after.seq}
        yield Fact(**values)


@st.composite
def moments(draw, history):
    d = START + dt.timedelta(days=draw(st.integers(0, LENGTH + 10)))
    d2 = d + dt.timedelta(days=draw(st.sampled_from([0, 0, 5, 30])))
    by_d2 = [f.seq for f in history.facts if f.signed_on <= d2]
    by_d2 += [c.seq for c in history.confirmations if c.on <= d2]
    n = max(by_d2, default=0)
    return AsOf(d, d2, draw(st.sampled_from([n, n, max(0, n - 2)])))
