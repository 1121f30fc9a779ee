"""What a trainee or a reader answers about one scan, and when two answers agree.

Pure: no Django, no clock, no database. Every floor stores answers as ``Answer.code`` and reads
them back with ``Answer.parse``.

An answer has one of three shapes:

* *sided* (pneumothorax, consolidation, effusion): ``right`` and ``left``;
* *pattern* (interstitial pattern): ``pattern``, and for *focal* the sides that have it;
* *limited*: these images cannot answer. For a reader it means *cannot be read*.

An answer may still be *open* (nothing chosen, one side missing, focal without its side); drafts
hold such answers and a submission refuses them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Self

POSITIVE, NEGATIVE, INDETERMINATE, LIMITED = (
    "positive",
    "negative",
    "indeterminate",
    "limited",
)
NONE, FOCAL, DIFFUSE = "none", "focal", "diffuse"

SIDE_VALUES = frozenset({"", POSITIVE, NEGATIVE, INDETERMINATE})
PATTERN_VALUES = frozenset({"", NONE, FOCAL, DIFFUSE, INDETERMINATE})
CALLS = (POSITIVE, NEGATIVE, FOCAL, INDETERMINATE, LIMITED)
SIDED, PATTERN = "sided", "pattern"
KINDS = (SIDED, PATTERN)

_MARK = {POSITIVE: "+", NEGATIVE: "-", INDETERMINATE: "?"}
_VALUE = {mark: value for value, mark in _MARK.items()}


@dataclass(frozen=True)
class Answer:
    """One answer. Raises ValueError for values that do not exist or cannot stand together."""

    right: str = ""
    left: str = ""
    pattern: str = ""
    limited: bool = False

    def __post_init__(self) -> None:
        if self.right not in SIDE_VALUES or self.left not in SIDE_VALUES:
            raise ValueError(f"a side cannot be {self.right!r} / {self.left!r}")
        if self.pattern not in PATTERN_VALUES:
            raise ValueError(f"a pattern cannot be {self.pattern!r}")
        if self.limited and (self.right or self.left or self.pattern):
            raise ValueError("limited images have no other answer beside it")
        if self.pattern == FOCAL:
            self._normalise_focal()
        elif self.pattern and (self.right or self.left):
            raise ValueError(f"{self.pattern} has no sides")

    def _normalise_focal(self) -> None:
        """Focal on one side says that the other side is free; on no side it is still open."""
        if INDETERMINATE in (self.right, self.left):
            raise ValueError("focal is on a side or it is not")
        found = POSITIVE in (self.right, self.left)
        for side in ("right", "left"):
            value = getattr(self, side)
            object.__setattr__(self, side, (value or NEGATIVE) if found else "")

    @property
    def kind(self) -> str:
        """``sided``, ``pattern``, or empty where the answer fits both (limited, nothing yet)."""
        if self.pattern:
            return PATTERN
        return SIDED if self.right or self.left else ""

    @property
    def is_open(self) -> bool:
        """Whether something is still to be answered."""
        if self.limited:
            return False
        if self.pattern == FOCAL:
            return not self.right
        return not self.pattern and not (self.right and self.left)

    @property
    def call(self) -> str:
        """The answer in one word of ``CALLS``; empty while it is open.

        One positive side is enough, even before the other side is answered.
        """
        if self.limited:
            return LIMITED
        if self.pattern and not self.is_open:
            return {DIFFUSE: POSITIVE, NONE: NEGATIVE}.get(self.pattern, self.pattern)
        sides = {self.right, self.left}
        if POSITIVE in sides:
            return POSITIVE
        if self.is_open:
            return ""
        return NEGATIVE if sides == {NEGATIVE} else INDETERMINATE

    @property
    def positive_sides(self) -> tuple[str, ...]:
        """``("right", "left")`` or fewer: the sides said to be positive; both for diffuse."""
        if self.pattern == DIFFUSE:
            return ("right", "left")
        return tuple(side for side in ("right", "left") if getattr(self, side) == POSITIVE)

    @property
    def code(self) -> str:
        """The short canonical text that is stored, such as ``R+ L-``, ``focal R``, ``limited``."""
        if self.limited:
            return LIMITED
        if self.pattern == FOCAL:
            sides = (("R", self.right), ("L", self.left))
            return " ".join([FOCAL, *(letter for letter, value in sides if value == POSITIVE)])
        if self.pattern:
            return self.pattern
        sides = (("R", self.right), ("L", self.left))
        return " ".join(letter + _MARK[value] for letter, value in sides if value)

    @classmethod
    @lru_cache(256)
    def parse(cls, code: str) -> Self:
        """The inverse of ``code``. Raises ValueError for any text that ``code`` cannot give."""
        answer = cls._read(code)
        if answer.code != code:
            raise ValueError(f"not an answer: {code!r}")
        return answer

    @classmethod
    def _read(cls, code: str) -> Self:
        head, *sides = code.split(" ")
        if code == LIMITED:
            return cls(limited=True)
        if head == FOCAL:
            return cls(
                pattern=FOCAL,
                right=POSITIVE if "R" in sides else "",
                left=POSITIVE if "L" in sides else "",
            )
        if head in PATTERN_VALUES and head:
            return cls(pattern=head)
        values = {"R": "", "L": ""}
        for part in code.split():
            if len(part) != 2 or part[0] not in values or part[1] not in _VALUE:
                raise ValueError(f"not an answer: {code!r}")
            values[part[0]] = _VALUE[part[1]]
        return cls(right=values["R"], left=values["L"])


@dataclass(frozen=True)
class Comparison:
    """``pair``: the reading says enough to be compared with; ``agrees`` implies ``determinate``,
    ``determinate`` (the trainee committed wherever it is compared) implies ``pair``."""

    pair: bool
    agrees: bool
    determinate: bool


NO_PAIR = Comparison(pair=False, agrees=False, determinate=False)


def compare(trainee: Answer, reader: Answer) -> Comparison:
    """Compares the trainee's answer with the reader's, which is the yardstick.

    A pair: the reader is positive on a side, or negative on both, or said none, focal or diffuse.
    Sides that the reader left indeterminate are not compared, whatever the trainee said there.
    Raises ValueError where one answer is sided and the other a pattern.
    """
    if trainee.kind and reader.kind and trainee.kind != reader.kind:
        raise ValueError(f"cannot compare {trainee.code!r} with {reader.code!r}")
    if reader.pattern:
        if reader.is_open or reader.pattern == INDETERMINATE:
            return NO_PAIR
        committed = not trainee.is_open and trainee.pattern in (NONE, FOCAL, DIFFUSE)
        return Comparison(True, committed and trainee == reader, committed)
    if reader.call not in (POSITIVE, NEGATIVE):
        return NO_PAIR
    compared = [
        (getattr(trainee, side), getattr(reader, side))
        for side in ("right", "left")
        if getattr(reader, side) in (POSITIVE, NEGATIVE)
    ]
    committed = all(said in (POSITIVE, NEGATIVE) for said, _ in compared)
    return Comparison(True, all(said == read for said, read in compared), committed)


@dataclass(frozen=True)
class TwoByTwo:
    """Both answers in one word each, over the sides that are compared: positive, negative, or
    focal for a pattern. ``wrong_side``: both found something, and on no side the same."""

    said: str
    read: str
    wrong_side: bool


@lru_cache(4096)
def two_by_two(trainee: str, reader: str) -> TwoByTwo | None:
    """Takes codes. None where they are no pair, or the trainee did not commit."""
    said, read = Answer.parse(trainee), Answer.parse(reader)
    found = compare(said, read)
    if not found.determinate:
        return None
    if read.pattern:
        both = set(said.positive_sides) & set(read.positive_sides)
        wrong = bool(said.positive_sides and read.positive_sides and not both)
        return TwoByTwo(said.call, read.call, wrong)
    sides = [
        (getattr(said, side), getattr(read, side))
        for side in ("right", "left")
        if getattr(read, side) in (POSITIVE, NEGATIVE)
    ]
    call = POSITIVE if any(mine == POSITIVE for mine, _ in sides) else NEGATIVE
    both_positive = call == POSITIVE and read.call == POSITIVE
    wrong = both_positive and all(pair != (POSITIVE, POSITIVE) for pair in sides)
    return TwoByTwo(call, read.call, wrong)


@lru_cache(4096)
def on_side(code: str, side: str) -> str:
    """What an answer, as a code, says of one side ("right" or "left"): positive, negative, or ""
    where it does not commit there."""
    answer = Answer.parse(code)
    if answer.pattern in (NONE, DIFFUSE):
        return NEGATIVE if answer.pattern == NONE else POSITIVE
    value = getattr(answer, side)
    return value if value in (POSITIVE, NEGATIVE) else ""
