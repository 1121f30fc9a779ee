"""The one shape of every change.

An action is a keyword-only function with an actor `by` and a time `at`, run in one transaction,
whose ledger entry is its last write. One that writes none says why in its decorator.
"""

import functools
import inspect
from collections.abc import Callable
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone

from accounts.errors import LedgerMissing
from accounts.ledger import core as ledger_core


@dataclass
class Frame:
    """One running action."""

    name: str | None
    entries: int = 0
    nothing_changed: bool = False
    chains: set[str] = field(default_factory=set)


@dataclass(frozen=True)
class Action:
    """How an action is declared; the guards walk the list."""

    function: Callable[..., Any]
    name: str | None
    why_no_ledger: str


REGISTRY: list[Action] = []
_frames: ContextVar[tuple[Frame, ...]] = ContextVar("action_frames", default=())


def _heard(chain: str, action: str | None) -> str:
    """Tell every running action that an entry goes to `chain`; give the entry its name."""
    frames = _frames.get()
    if frames:
        outermost = frames[0]
        outermost.chains.add(chain)
        if len(outermost.chains) > 1:
            raise LedgerMissing(
                f"{outermost.name}: one action never appends to two chains "
                f"({', '.join(sorted(outermost.chains))})"
            )
        for frame in frames:
            frame.entries += 1
    name = action or next((f.name for f in reversed(frames) if f.name), None)
    if not name:
        raise LedgerMissing("an entry outside an action must name its action")
    return name


def _noop() -> None:
    frames = _frames.get()
    if frames:
        frames[-1].nothing_changed = True


ledger_core.naming = _heard
ledger_core.noop = _noop


def action(name: str | None = None, *, ledger: str | None = "", why: str = ""):
    """Declare an action. `name` reads `noun.verbed`; `ledger=None` needs a `why`.

    Raises TypeError at import where the signature is not keyword-only with `by` and `at`.
    """
    if ledger is None and not why:
        raise TypeError("an action without a ledger entry says why")
    if ledger is not None and not name:
        raise TypeError("an action that writes the ledger has a name")

    def declare(function):
        parameters = inspect.signature(function).parameters
        if any(p.kind is not p.KEYWORD_ONLY for p in parameters.values()):
            raise TypeError(f"{function.__qualname__}: every argument is keyword-only")
        if missing := {"by", "at"} - parameters.keys():
            raise TypeError(f"{function.__qualname__}: missing {', '.join(sorted(missing))}")

        @functools.wraps(function)
        def run(*args, **kwargs):
            if args:
                raise TypeError(f"{function.__qualname__}: every argument is keyword-only")
            at = kwargs.get("at")
            if not isinstance(at, datetime) or timezone.is_naive(at):
                raise TypeError(f"{function.__qualname__}: `at` is an aware datetime")
            frame = Frame(name=name)
            token = _frames.set((*_frames.get(), frame))
            try:
                with transaction.atomic():
                    result = function(**kwargs)
                    if ledger is not None and not frame.entries and not frame.nothing_changed:
                        raise LedgerMissing(f"{name}: ended without a ledger entry")
                    return result
            finally:
                _frames.reset(token)

        REGISTRY.append(Action(function=run, name=name, why_no_ledger=why))
        run.action_name = name
        run.why_no_ledger = why
        return run

    return declare
