"""The text of a reading that is not signed yet: its shape, cleaned. Pure.

``BLIND`` parts are given before the reveal and frozen by it; ``OPEN`` parts come after it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import rfc8785

from logbook.answers import Answer

BLIND = ("right", "left", "pattern", "limited", "quality", "findings")
OPEN = ("items", "feedback", "credited", "reason", "urgent", "told", "told_note")
EMPTY: Mapping[str, Any] = {
    "right": "",
    "left": "",
    "pattern": "",
    "limited": False,
    "quality": None,
    "findings": [],
    "items": {},
    "feedback": "",
    "credited": "",
    "reason": "",
    "urgent": False,
    "told": "",
    "told_note": "",
}
TEXTS = ("feedback", "reason", "told_note")
CREDITED = ("", "yes", "no")
MOST_FINDINGS = 40


class Misshapen(ValueError):
    """No draft of a reading has this shape."""


def clean(raw: Mapping[str, Any]) -> dict[str, Any]:
    """One scan's part with every key present. Raises Misshapen."""
    if unknown := set(raw) - set(EMPTY):
        raise Misshapen(f"there is no {', '.join(sorted(unknown))}")
    part = {key: raw.get(key, empty) for key, empty in EMPTY.items()}
    for key in ("right", "left", "pattern", "told", "credited", *TEXTS):
        if not isinstance(part[key], str):
            raise Misshapen(f"{key} is a text")
        part[key] = part[key].replace("\x00", "")
    for key in ("limited", "urgent"):
        if not isinstance(part[key], bool):
            raise Misshapen(f"{key} is yes or no")
    if part["quality"] not in (None, 1, 2, 3, 4, 5):
        raise Misshapen("image quality runs from 1 to 5")
    if part["credited"] not in CREDITED:
        raise Misshapen("credited is yes or no")
    part["findings"] = _findings(part["findings"])
    if not isinstance(part["items"], Mapping):
        raise Misshapen("items are choices by their code")
    part["items"] = {str(code): str(choice) for code, choice in part["items"].items()}
    return part


def _findings(raw: Any) -> list[list[str]]:
    rows = [[str(text) for text in row] for row in raw]
    if any(len(row) != 3 for row in rows) or len(rows) > MOST_FINDINGS:
        raise Misshapen("a finding is a zone, a sign and a value")
    return sorted({(zone, sign): [zone, sign, value] for zone, sign, value in rows}.values())


def of_scan(content: Mapping[str, Any], scan_id: object) -> dict[str, Any]:
    return {**EMPTY, **content.get("scans", {}).get(str(scan_id), {})}


def archive_read(content: Mapping[str, Any]) -> list[int]:
    return list(content.get("archive_read", []))


def answer_of(part: Mapping[str, Any]) -> Answer:
    """Raises ValueError where the parts cannot stand together."""
    return Answer(
        right=part["right"], left=part["left"], pattern=part["pattern"], limited=part["limited"]
    )


def text_of(content: Mapping[str, Any]) -> str:
    return rfc8785.dumps(dict(content)).decode()


def merged(
    before: Mapping[str, Any], given: Mapping[str, Any], keys: tuple[str, ...]
) -> dict[str, Any]:
    """The scan's part with ``keys`` taken from what is given now, the others as before."""
    return {**before, **{key: given[key] for key in keys}}
