"""Looks for what may say who a patient is, in free text. Advice with false alarms, never proof.

The classes follow 45 CFR 164.514(b)(2)(i): record and account numbers, telephone numbers, e-mail
addresses, dates, and names after a title. Ages, depths and counts are let through.
"""

import re
from dataclasses import dataclass

PATTERNS = (
    ("an e-mail address", re.compile(r"[^\s@]+@[^\s@]+\.[a-zA-Z]{2,}")),
    (
        "a date",
        re.compile(
            r"\b(\d{1,4}[./-]\d{1,2}[./-]\d{2,4}"
            r"|\d{1,2}\.?\s*(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*\.?\s+\d{2,4})\b",
            re.IGNORECASE,
        ),
    ),
    ("a record number", re.compile(r"\b(mrn|hospital\s+no|record\s+no|nhs|ssn)\b\W*\w*\d", re.I)),
    ("a long number", re.compile(r"(?<![\d.])\d(?:[\s-]?\d){5,}(?![\d.])")),
    ("a date of birth", re.compile(r"\b(dob|d\.o\.b|born)\b", re.IGNORECASE)),
    ("a name", re.compile(r"\b(?i:mr|mrs|ms|miss)\.?\s+[A-Z]\w+")),
    ("a name", re.compile(r"\bpatient(?:'s)?\s+name\b", re.IGNORECASE)),
)


@dataclass(frozen=True)
class Hit:
    """What was found and where (character offsets)."""

    kind: str
    start: int
    end: int


def find(text: str) -> list[Hit]:
    """Every suspicious place, in order. Linear in the text."""
    hits = [Hit(kind, *m.span()) for kind, pattern in PATTERNS for m in pattern.finditer(text)]
    return sorted(hits, key=lambda h: h.start)
