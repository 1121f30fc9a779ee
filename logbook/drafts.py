"""The text of a draft: which fields it has, what shape each takes, and its canonical form.

Pure. A draft may be unfinished and may hold codes that a programme has since retired; it may not
have another shape. Whether it can be submitted is ``logbook.rules``' business.
"""

from __future__ import annotations

import datetime as dt
import json
import re
import uuid
from collections.abc import Mapping
from typing import Any

import rfc8785

from logbook.answers import Answer
from logbook.lung import Findings

TEXTS = (
    "setting",
    "place",
    "age_band",
    "position",
    "breathing",
    "chest_procedure",
    "indication",
    "operator",
    "supervision",
    "supervisor_typed",
)
TIMES = ("performed_at", "answered_at")
LINKS = ("supervisor", "same_patient")
KNEW = ("", "no", "yes")
NOTE_LENGTH, TEXT_LENGTH, CODE_LENGTH = 2000, 80, 40
MOST_APPLICATIONS, MOST_FINDINGS = 20, 600
EMPTY: Mapping[str, Any] = {
    **dict.fromkeys((*TEXTS, *TIMES, *LINKS, "note", "knew_result"), ""),
    "applications": [],
    "answers": {},
    "findings": {},
}
ANSWER_TEXTS = ("right", "left", "pattern", "confidence")

_UNSTORABLE = re.compile("[\x00\ud800-\udfff]")


class Misshapen(ValueError):
    """The draft does not have the shape of one. ``faults`` maps a field to what is wrong."""

    def __init__(self, faults: Mapping[str, str]) -> None:
        self.faults = dict(faults)
        super().__init__("; ".join(f"{field}: {fault}" for field, fault in faults.items()))


def clean(raw: object) -> dict[str, Any]:
    """The draft with every field present, in one order and shape. Raises Misshapen."""
    if not isinstance(raw, Mapping):
        raise Misshapen({"draft": "a draft is an object with fields"})
    faults = {str(field): "there is no such field" for field in set(raw) - set(EMPTY)}
    draft: dict[str, Any] = {}
    for field, empty in EMPTY.items():
        try:
            draft[field] = _CLEANERS.get(field, _text)(raw.get(field, empty))
        except ValueError as fault:
            faults[field] = str(fault)
    if faults:
        raise Misshapen(faults)
    return draft


def canonical(draft: Mapping[str, Any]) -> str:
    """The text (RFC 8785) that is stored and compared: equal drafts give equal text."""
    return rfc8785.dumps(dict(draft)).decode()


def read(text: str | None) -> dict[str, Any]:
    """A stored draft; fields that were added to the form since are empty."""
    return {**EMPTY, **json.loads(text)} if text else {**EMPTY}


def answer_of(draft: Mapping[str, Any], application: str) -> Answer:
    """The answer as given so far. Raises ValueError where its parts cannot stand together."""
    parts = draft["answers"].get(application, {})
    return Answer(
        right=parts.get("right", ""),
        left=parts.get("left", ""),
        pattern=parts.get("pattern", ""),
        limited=parts.get("limited", False),
    )


def answer_parts(answer: Answer, confidence: str) -> dict[str, Any]:
    return {
        "right": answer.right,
        "left": answer.left,
        "pattern": answer.pattern,
        "limited": answer.limited,
        "confidence": confidence,
    }


def findings_of(draft: Mapping[str, Any]) -> Findings:
    return {
        (zone, sign): value
        for zone, signs in draft["findings"].items()
        for sign, value in signs.items()
    }


def moment(text: str) -> dt.datetime | None:
    return dt.datetime.fromisoformat(text) if text else None


# --- one cleaner a shape --------------------------------------------------------------------------


def _string(value: object, longest: int) -> str:
    if not isinstance(value, str):
        raise ValueError("this is a text")
    if len(value) > longest:
        raise ValueError(f"at most {longest} characters")
    if _UNSTORABLE.search(value):
        raise ValueError("this holds a character that cannot be stored")
    return value


def _text(value: object) -> str:
    return _string(value, TEXT_LENGTH).strip()


def _note(value: object) -> str:
    return _string(value, NOTE_LENGTH).replace("\r\n", "\n").strip()


def _time(value: object) -> str:
    text = _text(value)
    if not text:
        return ""
    try:
        time = dt.datetime.fromisoformat(text)
    except ValueError:
        raise ValueError("a time such as 2026-03-09T14:05:00+01:00") from None
    if time.tzinfo is None:
        raise ValueError("a time says how far it is from UTC")
    try:
        return time.astimezone(dt.UTC).isoformat(timespec="seconds")
    except OverflowError:
        raise ValueError("there is no such time") from None


def _link(value: object) -> str:
    text = _text(value)
    try:
        return str(uuid.UUID(text)) if text else ""
    except ValueError:
        raise ValueError("an identifier such as a UUID") from None


def _knew(value: object) -> str:
    if value not in KNEW:
        raise ValueError("no, yes, or nothing yet")
    return str(value)


def _applications(value: object) -> list[str]:
    if not isinstance(value, list) or len(value) > MOST_APPLICATIONS:
        raise ValueError(f"a list of at most {MOST_APPLICATIONS} applications")
    codes = [_string(code, CODE_LENGTH) for code in value]
    return sorted(set(codes))


def _answers(value: object) -> dict[str, dict[str, Any]]:
    if not isinstance(value, Mapping) or len(value) > MOST_APPLICATIONS:
        raise ValueError("one answer an application")
    answers = {}
    for application, parts in value.items():
        if not isinstance(parts, Mapping) or set(parts) - {*ANSWER_TEXTS, "limited"}:
            raise ValueError("an answer has right, left, pattern, limited and confidence")
        limited = parts.get("limited", False)
        if not isinstance(limited, bool):
            raise ValueError("limited is true or false")
        texts = {part: _string(parts.get(part, ""), CODE_LENGTH) for part in ANSWER_TEXTS}
        if limited or any(texts.values()):
            answers[_string(application, CODE_LENGTH)] = {**texts, "limited": limited}
    return answers


def _findings(value: object) -> dict[str, dict[str, str]]:
    if not isinstance(value, Mapping):
        raise ValueError("findings by zone")
    findings: dict[str, dict[str, str]] = {}
    for zone, signs in value.items():
        if not isinstance(signs, Mapping):
            raise ValueError("findings by zone and sign")
        given = {
            _string(sign, CODE_LENGTH): _string(found, CODE_LENGTH)
            for sign, found in signs.items()
            if found != ""
        }
        if given:
            findings[_string(zone, 8)] = given
    if sum(map(len, findings.values())) > MOST_FINDINGS:
        raise ValueError("more findings than a chest has room for")
    return findings


_CLEANERS = {
    **dict.fromkeys(TIMES, _time),
    **dict.fromkeys(LINKS, _link),
    "note": _note,
    "knew_result": _knew,
    "applications": _applications,
    "answers": _answers,
    "findings": _findings,
}
