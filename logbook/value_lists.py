"""The value lists in ``lists/``: read and checked once, extended per programme.

Pure: the programme's own values are handed in by ``logbook.queries``.
"""

from __future__ import annotations

import json
import re
import textwrap
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent / "lists"
_CODE = re.compile(r"[a-z0-9][a-z0-9_+-]{0,39}")
_LIST_KEYS = {"name", "extendable", "values", "application", "help"}


@dataclass(frozen=True)
class Value:
    """One choice. ``text`` is English source text; ``facts`` are the extra keys of the file."""

    code: str
    text: str
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class ValueList:
    code: str
    name: str
    values: tuple[Value, ...]
    extendable: bool = False
    application: str = ""
    help: str = ""

    def __iter__(self) -> Iterator[Value]:
        return iter(self.values)

    def __contains__(self, code: object) -> bool:
        return any(value.code == code for value in self.values)

    def __getitem__(self, code: str) -> Value:
        for value in self.values:
            if value.code == code:
                return value
        raise KeyError(code)

    @property
    def codes(self) -> tuple[str, ...]:
        return tuple(value.code for value in self.values)

    def where(self, fact: str) -> frozenset[str]:
        """The codes whose value has that fact set, such as ``credited``."""
        return frozenset(value.code for value in self.values if value.facts.get(fact))

    def text_of(self, code: str) -> str:
        """The text of a stored code; a code that was retired since stands for itself."""
        return self[code].text if code in self else code

    def with_own(self, own: Iterable[tuple[str, str]]) -> ValueList:
        """The list with a programme's ``(code, text)`` after the shipped values."""
        added = tuple(Value(code, text) for code, text in own if code not in self)
        if added and not self.extendable:
            raise ValueError(f"{self.code} takes no values of a programme's own")
        return replace(self, values=self.values + added)


@cache
def exam_lists() -> Mapping[str, ValueList]:
    """``setting``, ``age_band``, ``position`` ... as in ``lists/exam.toml``."""
    return _load("exam.toml")


@cache
def signs() -> Mapping[str, ValueList]:
    """The signs that may be recorded in a zone, as in ``lists/signs.toml``."""
    return _load("signs.toml")


def _load(name: str) -> Mapping[str, ValueList]:
    data = tomllib.loads((FOLDER / name).read_text("utf-8"))
    return {code: _list(f"{name}: {code}", code, row) for code, row in data.items()}


def _list(where: str, code: str, row: dict[str, Any]) -> ValueList:
    if unknown := set(row) - _LIST_KEYS:
        raise ValueError(f"{where}: unknown keys {sorted(unknown)}")
    values = []
    for raw in row["values"]:
        facts = {key: value for key, value in raw.items() if key not in ("code", "text")}
        if not _CODE.fullmatch(raw["code"]) or not raw["text"].strip():
            raise ValueError(f"{where}: {raw!r} needs a plain code and a text")
        values.append(Value(raw["code"], raw["text"], facts))
    if len({value.code for value in values}) != len(values):
        raise ValueError(f"{where}: a code stands twice")
    return ValueList(
        code=code,
        name=row["name"],
        values=tuple(values),
        extendable=row.get("extendable", False),
        application=row.get("application", ""),
        help=row.get("help", ""),
    )


def english_texts() -> list[str]:
    """Every text of every list and of the zones, once, sorted: what translators have to see."""
    listed = [*exam_lists().values(), *signs().values()]
    texts = {text for each in listed for text in (each.name, each.help)}
    texts |= {value.text for each in listed for value in each}
    zones = tomllib.loads((FOLDER / "zones.toml").read_text("utf-8"))
    texts |= {row["name"] for kind in ("scheme", "zone") for row in zones[kind].values()}
    return sorted(texts - {""})


def texts_module() -> str:
    """``list_texts.py``: gettext reads Python, and does not read TOML."""
    lines = [
        '"""Made by `manage.py states`: the English texts of lists/, where gettext finds them."""',
        "",
        "from django.utils.translation import gettext_noop",
        "",
        "TEXTS = (",
    ]
    for text in english_texts():
        quoted = json.dumps(text, ensure_ascii=False)
        if len(quoted) <= 81:
            lines.append(f"    gettext_noop({quoted}),")
            continue
        parts = [text] if len(quoted) <= 92 else textwrap.wrap(text, 85)
        parts = [*(f"{part} " for part in parts[:-1]), parts[-1]]
        quotes = [f"        {json.dumps(part, ensure_ascii=False)}" for part in parts]
        lines += ["    gettext_noop(", *quotes, "    ),"]
    return "\n".join([*lines, ")", ""])
