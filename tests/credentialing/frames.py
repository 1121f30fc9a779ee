"""Histories as the columns that a chunk of people is judged from."""

from __future__ import annotations

import numpy as np

from credentialing.columns.frame import CALLS, NEVER, NONE, Facts, Frame, Waiting
from credentialing.measures import AsOf, History
from credentialing.measures.items import Seen
from tests.credentialing.histories import GROUPS

NUMBERS = {code: number for number, code in enumerate(GROUPS)}


def frame_of(histories: list[History], as_of: AsOf, signs: tuple[str, ...] = ()) -> Frame:
    """As reading them from the tables as of the cut would give them."""
    exams: dict = {}
    rows, waits = [], []
    for person, history in enumerate(histories):
        known = [fact for fact in history.facts if fact.known(as_of)]
        known.sort(key=lambda f: (f.performed_on, str(f.exam), str(f.scan), f.ordinal))
        rows += [(person, fact) for fact in known]
        waits += [(person, one) for one in Seen(history, as_of).unread()]
    for person, one in [*rows, *waits]:
        exams.setdefault((person, one.exam), len(exams))
    confirmed = np.full(len(exams) + 1, NEVER)
    for person, history in enumerate(histories):
        for one in history.confirmations:
            number = exams.get((person, one.exam))
            if number is None or one.supervision != "direct":
                continue
            if one.on <= as_of.d2 and one.seq <= as_of.n:
                confirmed[number] = min(confirmed[number], one.on.toordinal())

    def numbers(value, of=rows, kind=np.int64):
        return np.array([value(person, one) for person, one in of], kind)

    def flags(name):
        return numbers(lambda _p, f: getattr(f, name), kind=bool)

    def replaced(_person, fact):
        day = fact.replaced(as_of)
        return NEVER if day is None else day.toordinal()

    facts = Facts(
        person=numbers(lambda p, _f: p),
        performed=numbers(lambda _p, f: f.performed_on.toordinal()),
        signed=numbers(lambda _p, f: f.signed_on.toordinal()),
        replaced=numbers(replaced),
        application=numbers(lambda _p, f: NUMBERS[f.application]),
        first=numbers(lambda _p, f: f.ordinal == 1, kind=bool),
        credited=flags("credited"),
        in_read=flags("in_read"),
        pair=flags("pair"),
        agrees=flags("agrees"),
        determinate=flags("determinate"),
        direct=numbers(lambda _p, f: f.supervision == "direct", kind=bool),
        call=numbers(lambda _p, f: CALLS[f.reader_call]),
        first_call=numbers(lambda _p, f: CALLS[f.first_call]),
        quality=numbers(lambda _p, f: f.quality or 0),
        first_quality=numbers(lambda _p, f: f.first_quality or 0),
        exam=numbers(lambda p, f: exams[p, f.exam]),
        signs={
            sign: numbers(lambda _p, f, sign=sign: sign in f.findings, kind=bool) for sign in signs
        },
    )
    return Frame(
        people=len(histories),
        facts=facts,
        waiting=Waiting(
            person=numbers(lambda p, _w: p, waits),
            performed=numbers(lambda _p, w: w.performed_on.toordinal(), waits),
            application=numbers(lambda _p, w: NUMBERS[w.application], waits),
            exam=numbers(lambda p, w: exams[p, w.exam], waits),
            returned=numbers(lambda p, w: histories[p].returned(w.scan, as_of.n), waits, bool),
        ),
        applications=GROUPS,
        first_received=np.array(
            [h.first_received_on.toordinal() if h.first_received_on else NONE for h in histories],
            np.int64,
        ),
        confirmed=confirmed,
    )
