"""The rubric that a reader fills in: versioned data, checked when it is read. Pure."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Self

import rfc8785

AS_EXPECTED = "as_expected"
READING, ASSESSMENT = "reading", "assessment"
KINDS = (READING, ASSESSMENT)


@dataclass(frozen=True)
class Mark:
    """One step of image quality."""

    value: int
    word: str
    means: str


@dataclass(frozen=True)
class Item:
    """Something looked at beside the quality. ``choices`` are (code, text); the first is
    *as expected*, where every item starts."""

    code: str
    name: str
    help: str
    choices: tuple[tuple[str, str], ...]

    def text_of(self, choice: str) -> str:
        return dict(self.choices).get(choice, choice)


@dataclass(frozen=True)
class Rubric:
    """Raises ValueError where a file or a stored text is no rubric.

    The five steps of ``quality`` are image quality in a reading's rubric, and in that of a bedside
    assessment the level: where a senior has to be next time.
    """

    code: str
    kind: str
    name: str
    quality_cut: int
    quality: tuple[Mark, ...]
    items: tuple[Item, ...]

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"a rubric is one of {', '.join(KINDS)}")
        if [mark.value for mark in self.quality] != [1, 2, 3, 4, 5]:
            raise ValueError("image quality has the steps 1 to 5, in this order")
        if self.quality_cut not in range(1, 6):
            raise ValueError("the cut is one of the steps of image quality")
        if len({item.code for item in self.items}) != len(self.items):
            raise ValueError("an item stands twice")
        for item in self.items:
            codes = [code for code, _ in item.choices]
            if codes[:1] != [AS_EXPECTED] or len(set(codes)) != len(codes) or len(codes) < 2:
                raise ValueError(f"{item.code}: starts as expected and has something beside it")

    def item(self, code: str) -> Item | None:
        return next((item for item in self.items if item.code == code), None)

    def word(self, quality: int | None) -> str:
        return next((mark.word for mark in self.quality if mark.value == quality), "")

    def check_items(self, chosen: Mapping[str, str]) -> dict[str, str]:
        """The items that are not as expected, in the rubric's order. Raises ValueError."""
        if unknown := set(chosen) - {item.code for item in self.items}:
            raise ValueError(f"no such item: {', '.join(sorted(unknown))}")
        kept = {}
        for item in self.items:
            choice = chosen.get(item.code, AS_EXPECTED)
            if choice not in dict(item.choices):
                raise ValueError(f"{item.code}: no such choice")
            if choice != AS_EXPECTED:
                kept[item.code] = choice
        return kept

    @property
    def text(self) -> str:
        """Canonical JSON (RFC 8785), as stored with a version."""
        return rfc8785.dumps(
            {
                "code": self.code,
                "kind": self.kind,
                "name": self.name,
                "quality_cut": self.quality_cut,
                "quality": [[m.value, m.word, m.means] for m in self.quality],
                "items": [
                    [i.code, i.name, i.help, [list(choice) for choice in i.choices]]
                    for i in self.items
                ],
            }
        ).decode()

    @classmethod
    def from_text(cls, text: str) -> Self:
        data = json.loads(text)
        return cls(
            code=data["code"],
            kind=data["kind"],
            name=data["name"],
            quality_cut=data["quality_cut"],
            quality=tuple(Mark(*mark) for mark in data["quality"]),
            items=tuple(
                Item(code, name, help_, tuple(tuple(choice) for choice in choices))
                for code, name, help_, choices in data["items"]
            ),
        )

    @classmethod
    def from_toml(cls, text: str) -> Self:
        data: dict[str, Any] = tomllib.loads(text)
        steps = data["level" if data["kind"] == ASSESSMENT else "quality"]
        return cls(
            code=data["code"],
            kind=data["kind"],
            name=data["name"],
            quality_cut=steps["cut"],
            quality=tuple(Mark(m["value"], m["word"], m["means"]) for m in steps["mark"]),
            items=tuple(
                Item(
                    i["code"],
                    i["name"],
                    i["help"],
                    tuple((c["code"], c["text"]) for c in i["choices"]),
                )
                for i in data["item"]
            ),
        )


@cache
def default(kind: str = READING) -> Rubric:
    """The rubric of a kind that a programme starts with."""
    name = "default.toml" if kind == READING else f"{kind}.toml"
    return Rubric.from_toml((Path(__file__).parent / name).read_text("utf-8"))
