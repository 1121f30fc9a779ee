"""Plans as commented files. Pure: text in, a plan out, and back.

A mistake is told as a line, what is wrong there, and how to mend it (`PlanFileError`).
"""

from __future__ import annotations

import datetime as dt
import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from credentialing.measures import (
    ALL,
    ANY,
    AT_LEAST,
    AT_MOST,
    BEST,
    INITIAL,
    KINDS,
    MEASURES,
    Clause,
    Gate,
    Plan,
)
from credentialing.measures.plans import (
    APART,
    AS_NEGATIVE,
    AS_POSITIVE,
    COMPLICATIONS,
    DONE,
    MONTH,
    SUPERVISED,
    WEEK,
    YEAR,
)

TEMPLATES = Path(__file__).parent / "plans"

PLAN_KEYS = ("code", "name", "kind", "transfer_share", "sources", "override_reason", "gate")
TEXTS = ("code", "name", "sources", "override_reason")
GATE_KEYS = ("title", "combine", "window", "within_months", "clause")
CLAUSE_KEYS = {
    "measure": str,
    "at_least": (int, float),
    "at_most": (int, float),
    "application": str,
    "group": str,
    "unit": str,
    "within_months": int,
    "mode": str,
    "normal_cap": int,
    "finding": str,
    "cut": int,
    "bound": bool,
    "min_n": int,
    "min_each": int,
    "focal": str,
    "step": int,
    "further": list,
    "after": int,
    "since": (str, dt.date),
    "level": int,
    "summative": bool,
    "kind": str,
    "which": str,
    "period": str,
    "periods": int,
    "max_share": (int, float),
    "adequate_rate": float,
    "inadequate_rate": float,
    "limit": (int, float),
    "text": str,
    "source": str,
}
CHOICES = {
    "measure": MEASURES,
    "unit": ("scan", "exam", "patient"),
    "mode": ("once", "still"),
    "focal": (APART, AS_POSITIVE, AS_NEGATIVE),
    "which": (DONE, SUPERVISED, COMPLICATIONS),
    "period": (YEAR, MONTH, WEEK),
}
_KINDS = {
    str: "a text in quotes",
    int: "a whole number",
    bool: "true or false",
    list: "numbers of clauses, as in [1, 2]",
    (str, dt.date): "a day or the name of a dated record in quotes",
}


@dataclass(frozen=True)
class Problem:
    line: int
    what: str
    mend: str

    def __str__(self) -> str:
        return f"Line {self.line}: {self.what} {self.mend}"


class PlanFileError(ValueError):
    """`problems`: everything found, in the order of the lines."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = sorted(problems, key=lambda one: one.line)
        super().__init__("\n".join(str(problem) for problem in self.problems))


@dataclass(frozen=True)
class PlanFile:
    """A plan and what the file says about it. `override_reason`: why a director publishes
    accuracy without the clauses that keep it honest; blank where nothing is overridden."""

    plan: Plan
    sources: str = ""
    override_reason: str = ""
    warnings: tuple[str, ...] = field(default=(), compare=False)


# ---------------------------------------------------------------------------------------------
# Reading


def parse(text: str) -> PlanFile:
    """Raises PlanFileError with every problem of the file."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as wrong:
        found = re.search(r"line (\d+)", str(wrong))
        line = int(found[1]) if found else text.count("\n") + 1
        what = str(wrong).split(" (at")[0] + "."
        mend = "Write `name = value`, texts in quotes, tables as [[gate]] and [[gate.clause]]."
        raise PlanFileError([Problem(line, what, mend)]) from None
    reader = _Reader(text)
    plan_file = reader.plan(data)
    if reader.problems:
        raise PlanFileError(reader.problems)
    return plan_file


def template(code: str) -> str:
    """The text of a template that ships with the service. Raises KeyError."""
    path = TEMPLATES / f"{code}.toml"
    if not re.fullmatch(r"[a-z0-9-]+", code) or not path.is_file():
        raise KeyError(code)
    return path.read_text(encoding="utf-8")


def templates() -> list[str]:
    return sorted(path.stem for path in TEMPLATES.glob("*.toml"))


class _Reader:
    def __init__(self, text: str) -> None:
        self.problems: list[Problem] = []
        self.blocks = list(_blocks(text))

    def line(self, block: int, key: str = "") -> int:
        """Where a key stands in the n-th table of the file; the table's own line without it."""
        start, keys = self.blocks[min(block, len(self.blocks) - 1)]
        return keys.get(key, start)

    def wrong(self, block: int, key: str, what: str, mend: str) -> None:
        self.problems.append(Problem(self.line(block, key), what, mend))

    def plan(self, data: Mapping[str, Any]) -> PlanFile:
        self._unknown(0, data, PLAN_KEYS)
        texts = {key: self._text(0, data, key) for key in TEXTS}
        kind = data.get("kind", INITIAL)
        if kind not in KINDS:
            self.wrong(
                0, "kind", f"There is no kind of plan called {kind!r}.",
                f"Use one of: {', '.join(KINDS)}.",
            )  # fmt: skip
            kind = INITIAL
        transfer = data.get("transfer_share", 0.5)
        if isinstance(transfer, bool) or not isinstance(transfer, int | float):
            transfer = -1
        if not 0 <= transfer <= 1:
            self.wrong(0, "transfer_share", "This is no share.", "Write a number from 0 to 1.")
        for key in ("code", "name"):
            if not texts[key]:
                self.wrong(0, key, f"The plan has no {key}.", f'Add `{key} = "…"` at the top.')
        if texts["code"] and not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", texts["code"]):
            self.wrong(
                0,
                "code",
                f"The code {texts['code']!r} cannot be used.",
                "Use small letters, digits and single hyphens.",
            )
        raw_gates = data.get("gate", [])
        if not isinstance(raw_gates, list) or not raw_gates:
            self.wrong(0, "gate", "The plan asks nothing.", "Add a [[gate]] with [[gate.clause]].")
            raw_gates = []
        block, ordinal, gates = 0, 0, []
        for number, raw in enumerate(raw_gates, start=1):
            block += 1
            at_gate = block
            self._unknown(at_gate, raw, GATE_KEYS)
            clauses = []
            for raw_clause in raw.get("clause", []):
                block, ordinal = block + 1, ordinal + 1
                clause = self._clause(block, ordinal, raw_clause)
                clauses.append(replace(clause, transfer_share=float(transfer)))
            if not clauses:
                self.wrong(at_gate, "", "This gate has no clause.", "Add a [[gate.clause]].")
            combine = raw.get("combine", ALL)
            whole = isinstance(combine, int) and not isinstance(combine, bool)
            if combine not in (ALL, ANY) and not (whole and 1 <= combine <= len(clauses)):
                self.wrong(
                    at_gate,
                    "combine",
                    f"{combine!r} is no way to combine clauses.",
                    f'Write "all", "any" or a number from 1 to {max(1, len(clauses))}.',
                )
                combine = ALL
            title = self._text(at_gate, raw, "title")
            window, months = self._window(at_gate, raw)
            gates.append(Gate(number, tuple(clauses), combine, title, window, months))
        plan = Plan(tuple(gates), texts["code"], texts["name"], kind)
        return PlanFile(plan, texts["sources"], texts["override_reason"])

    def _window(self, block: int, raw: Mapping[str, Any]) -> tuple[str, int | None]:
        window, months = raw.get("window", ""), raw.get("within_months")
        whole = isinstance(months, int) and not isinstance(months, bool) and 1 <= months <= 120
        if window not in ("", BEST):
            self.wrong(block, "window", f"There is no window {window!r}.", f'Write "{BEST}".')
        elif window and not whole:
            mend = "Add `within_months = 12`, or another number from 1 to 120."
            self.wrong(block, "window", "The best window of how many months?", mend)
        elif months is not None and not window:
            mend = f'Add `window = "{BEST}"`, or give each clause its own `within_months`.'
            self.wrong(block, "within_months", "These months belong to no window.", mend)
        else:
            return window, months
        return "", None

    def _clause(self, block: int, ordinal: int, raw: Mapping[str, Any]) -> Clause:
        self._unknown(block, raw, CLAUSE_KEYS)
        values: dict[str, Any] = {}
        for key, kind in CLAUSE_KEYS.items():
            if key not in raw:
                continue
            value = raw[key]
            right = isinstance(value, kind) and (kind is bool or not isinstance(value, bool))
            if not right:
                wanted = _KINDS.get(kind, "a number")
                self.wrong(block, key, f"{key} is {value!r}.", f"Write {wanted}.")
            elif kind is list and not all(type(one) is int for one in value):
                self.wrong(block, key, f"{key} is {value!r}.", f"Write {_KINDS[list]}.")
            elif key in CHOICES and value not in CHOICES[key]:
                self.wrong(
                    block,
                    key,
                    f"There is no {key} called {value!r}.",
                    f"Use one of: {', '.join(CHOICES[key])}.",
                )
            elif kind is list:
                values[key] = tuple(sorted(set(value)))
            else:
                values[key] = value.isoformat() if isinstance(value, dt.date) else value
        bars = [key for key in (AT_LEAST, AT_MOST) if key in raw]
        if len(bars) != 1:
            self.wrong(
                block,
                bars[-1] if bars else "",
                "A clause needs one number.",
                "Write either `at_least = …` or `at_most = …`.",
            )
        if "measure" not in raw:
            self.wrong(
                block,
                "",
                "The clause does not say what it measures.",
                f"Add `measure = …`, one of: {', '.join(MEASURES)}.",
            )
        if raw.get("application") and raw.get("group"):
            self.wrong(
                block,
                "group",
                "A clause covers an application or a group, not both.",
                "Take one of the two out.",
            )
        direction = bars[0] if bars else AT_LEAST
        bar = values.pop(direction, 1)
        values.pop(AT_LEAST, None)
        values.pop(AT_MOST, None)
        measure = values.pop("measure", "credited")
        return Clause(ordinal, measure, bar, direction, **values)

    def _text(self, block: int, raw: Mapping[str, Any], key: str) -> str:
        value = raw.get(key, "")
        if not isinstance(value, str):
            self.wrong(block, key, f"{key} is {value!r}.", "Write a text in quotes.")
            return ""
        return " ".join(value.split())

    def _unknown(self, block: int, raw: Mapping[str, Any], known) -> None:
        for key in raw:
            if key not in known:
                self.wrong(
                    block,
                    key,
                    f"{key!r} means nothing here.",
                    f"Take it out, or use one of: {', '.join(known)}.",
                )


def _blocks(text: str) -> Iterator[tuple[int, dict[str, int]]]:
    """Line of each table header ([[gate]] and [[gate.clause]]; the top is line 1) and of its
    keys, in the order of the file."""
    start, keys = 1, {}
    for number, line in enumerate(text.splitlines(), start=1):
        if re.match(r"\s*\[\[", line):
            yield start, keys
            start, keys = number, {}
        elif found := re.match(r"\s*([A-Za-z_][\w-]*)\s*=", line):
            keys.setdefault(found[1], number)
    yield start, keys


# ---------------------------------------------------------------------------------------------
# Writing


def dump(plan_file: PlanFile, *, remark: str = "") -> str:
    """The file that `parse` reads back to the same plan. `remark` becomes its first comment."""
    plan = plan_file.plan
    lines = [f"# {line}".rstrip() for line in remark.splitlines()]
    lines += [
        "# Local numbers, one [[gate.clause]] each. The local committee decides every one.",
        "",
        f"code = {_value(plan.code)}",
        f"name = {_value(plan.name)}",
    ]
    if plan.kind != INITIAL:
        lines.append(f"kind = {_value(plan.kind)}")
    if plan.transfer_share != 0.5:
        lines.append(f"transfer_share = {_value(plan.transfer_share)}")
    if plan_file.sources:
        lines.append(f"sources = {_value(plan_file.sources)}")
    if plan_file.override_reason:
        lines.append(f"override_reason = {_value(plan_file.override_reason)}")
    for gate in plan.gates:
        lines += ["", "[[gate]]"]
        if gate.title:
            lines.append(f"title = {_value(gate.title)}")
        lines.append(f"combine = {_value(gate.combine)}")
        if gate.window:
            lines.append(f"window = {_value(gate.window)}")
            lines.append(f"within_months = {gate.within_months}")
        for clause in gate.clauses:
            lines += ["", "[[gate.clause]]", *_clause_lines(clause)]
    return "\n".join(lines) + "\n"


def _clause_lines(clause: Clause) -> Iterator[str]:
    yield f"measure = {_value(clause.measure)}"
    yield f"{clause.direction} = {_value(clause.bar)}"
    plain = Clause(clause.ordinal, clause.measure, clause.bar, clause.direction)
    for key in CLAUSE_KEYS:
        if key in ("measure", AT_LEAST, AT_MOST):
            continue
        value = getattr(clause, key)
        if value != getattr(plain, key):
            value = list(value) if isinstance(value, tuple) else value
            yield f"{key} = {_value(value)}"


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer():
        return str(int(value)) if value > 1 else f"{value:.1f}"
    # A JSON string is a TOML basic string once nothing is left to JSON's own escapes.
    text = json.dumps(value, ensure_ascii=False)
    return text.replace("\x7f", "\\u007f")
