"""Stored forecasts ready for a page. No query of its own but for names."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from credentialing import words
from credentialing.forecasts import words as said
from credentialing.models import BackTest, Clause, Outlook, PlanVersion
from credentialing.presenting import clauses_of
from credentialing.reports.words import percent


@dataclass(frozen=True)
class Line:
    """One number of the plan: its chance, its pace, and how the count may go on."""

    name: str
    chance: str
    pace: str
    needed: float
    fan: dict[str, Any] | None
    fan_words: str


def part(
    outlook: Outlook, version: PlanVersion, test: BackTest | None, names: Mapping[str, str]
) -> dict[str, Any]:
    """What a trainee's page shows; `version` with its clauses."""
    told = outlook.told
    lines = [
        _line(clause, told["clauses"][str(clause.ordinal)], names)
        for clause in clauses_of(version)
        if str(clause.ordinal) in told["clauses"]
    ]
    left_out = [
        words.name_of(clause, names)
        for clause in clauses_of(version)
        if clause.ordinal in told["left_out"]
    ]
    return {
        "row": outlook,
        "lead": said.lead(outlook),
        "basis": said.basis(outlook),
        "hidden": said.hidden(test) if outlook.why == Outlook.TOLD else "",
        "tested": said.tested(outlook, test) if outlook.why == Outlook.TOLD else "",
        "told": outlook.why == Outlook.TOLD,
        "lines": lines,
        "fans": [line for line in lines if line.fan is not None],
        "left_out": left_out,
        "as_of": words.day(outlook.d),
    }


def _line(clause: Clause, told: dict[str, Any], names: Mapping[str, str]) -> Line:
    fan = told["fan"] if told["fan"] and not told["met"] else None
    return Line(
        words.name_of(clause, names),
        said.clause_chance(clause, told),
        said.pace(clause, told),
        clause.bar,
        None
        if fan is None
        else {**fan, "days": [dt.date.fromisoformat(one) for one in fan["days"]]},
        "" if fan is None else said.half_way(fan, clause.bar),
    )


def back_test(test: BackTest | None) -> dict[str, Any]:
    if test is None:
        return {"verdict": _("Past forecasts have not been tested yet; it is done once a month.")}
    told = test.told
    if told["verdict"] == "too_few":
        return {
            "verdict": _(
                "There are not enough past trainees to test this forecast: it takes 20 of the last "
                "three years, of whom at least 5 reached their numbers and 5 did not. There are "
                "%(people)s, of whom %(reached)s did."
            )
            % told
        }
    verdict = (
        _("Past forecasts did better than that everybody goes on as they did: chances are shown.")
        if told["verdict"] == "shown"
        else _(
            "Past forecasts did no better than that everybody goes on as they did: chances are "
            "folded away wherever they would stand."
        )
    )
    return {
        "verdict": verdict,
        "scores": [
            (
                _("Brier score (0 is perfect)"),
                _("%(brier)s; 95%% range %(low)s to %(high)s, by resampling trainees")
                % {name: f"{told[name]:.3f}" for name in ("brier", "low", "high")},
            ),
            (_("Better than the share that got there"), _better(told["against_base"])),
            (_("Better than that the present pace goes on"), _better(told["against_pace"])),
            (
                _("Asked of"),
                _("%(cases)s forecasts of %(people)s trainees, %(reached)s of whom got there")
                % told,
            ),
        ],
        "groups": [
            {
                "told": group["mean"] * 100,
                "came_true": 100 * group["reached"] / group["cases"],
                "label": _("told %(chance)s") % {"chance": percent(group["mean"])},
                "said": _("%(share)s got there")
                % {"share": percent(group["reached"] / group["cases"])},
                "of": _("%(reached)s of %(cases)s forecasts, of %(people)s trainees") % group,
            }
            for group in told["groups"]
        ],
    }


def _better(skill: float | None) -> str:
    if skill is None:
        return _("that was never wrong")
    if skill > 0:
        return _("by %(share)s") % {"share": percent(skill)}
    return _("no: worse by %(share)s") % {"share": percent(-skill)}
