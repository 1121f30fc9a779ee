"""Whether a scan is credited: the programme's rule as data, and its judgement. Pure.

Credit is exposure. It is given for a right answer and for a wrong one, since accuracy is judged
apart: nothing here looks at whether trainee and reader agree.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Collection
from dataclasses import asdict, dataclass, field, fields
from typing import Self

import rfc8785

# Why the rule does not credit a scan, in the order in which pages name them.
SETTING, OPERATOR, QUALITY, ZONES, ANSWERED_LATE, RECEIVED_LATE, SAME_FILE = (
    "setting",
    "operator",
    "quality",
    "zones",
    "answered_late",
    "received_late",
    "same_file",
)
REASONS = (SETTING, OPERATOR, QUALITY, ZONES, ANSWERED_LATE, RECEIVED_LATE, SAME_FILE)
LATE = frozenset({ANSWERED_LATE, RECEIVED_LATE})


@dataclass(frozen=True)
class Rule:
    """What a scan must have. Raises ValueError for values that no scan can meet or miss."""

    settings: tuple[str, ...] = ("clinical", "educational")
    operators: tuple[str, ...] = ("all",)
    quality_cut: int = 3
    zones: bool = True
    answered_within_hours: int = 24
    received_within_days: int = 14

    def __post_init__(self) -> None:
        for name in ("settings", "operators"):
            chosen = tuple(sorted(set(getattr(self, name))))
            if not chosen:
                raise ValueError(f"a rule without {name} credits nothing")
            object.__setattr__(self, name, chosen)
        if not 1 <= self.quality_cut <= 5:
            raise ValueError("image quality runs from 1 to 5")
        if self.answered_within_hours < 1 or self.received_within_days < 1:
            raise ValueError("on time is at least an hour and at least a day")

    @property
    def text(self) -> str:
        """Canonical JSON (RFC 8785): equal rules give equal text."""
        return rfc8785.dumps(asdict(self)).decode()

    @classmethod
    def from_text(cls, text: str) -> Self:
        values = json.loads(text)
        known = {f.name for f in fields(cls)}
        if unknown := set(values) - known:
            raise ValueError(f"a rule knows nothing of {', '.join(sorted(unknown))}")
        return cls(**{k: tuple(v) if isinstance(v, list) else v for k, v in values.items()})


@dataclass(frozen=True)
class Facts:
    """What is known of one scan when it is signed. ``answered_at`` is the phone's own time of the
    first answer, so that a phone without signal is not late; ``received_at`` is the server's.
    ``credited_elsewhere``: another exam that holds the same file was credited for this already:
    one scan credits one operator, whatever the programme's rule."""

    setting: str
    operator: str
    quality: int | None
    missing_zones: tuple[str, ...]
    performed_at: dt.datetime
    answered_at: dt.datetime
    received_at: dt.datetime
    credited_elsewhere: bool = False


@dataclass(frozen=True)
class Verdict:
    """``reasons`` stand against credit and are not waived; ``waived`` would have stood."""

    reasons: tuple[str, ...] = ()
    waived: tuple[str, ...] = field(default=())

    @property
    def credited(self) -> bool:
        return not self.reasons


def judge(rule: Rule, facts: Facts, *, waived: Collection[str] = ()) -> Verdict:
    """The rule's answer about one scan. ``waived`` reasons come from a director's exception."""
    against = [reason for reason in REASONS if _stands(reason, rule, facts)]
    return Verdict(
        reasons=tuple(reason for reason in against if reason not in waived),
        waived=tuple(reason for reason in against if reason in waived),
    )


def is_late(rule: Rule, facts: Facts) -> bool:
    """Late by the rule, exception or not: an exception gives volume and nothing else."""
    return any(_stands(reason, rule, facts) for reason in LATE)


def _stands(reason: str, rule: Rule, facts: Facts) -> bool:
    if reason == SETTING:
        return facts.setting not in rule.settings
    if reason == OPERATOR:
        return facts.operator not in rule.operators
    if reason == QUALITY:
        return facts.quality is None or facts.quality < rule.quality_cut
    if reason == ZONES:
        return rule.zones and bool(facts.missing_zones)
    if reason == SAME_FILE:
        return facts.credited_elsewhere
    if reason == ANSWERED_LATE:
        limit = dt.timedelta(hours=rule.answered_within_hours)
        return facts.answered_at - facts.performed_at > limit
    limit = dt.timedelta(days=rule.received_within_days)
    return facts.received_at - facts.performed_at > limit
