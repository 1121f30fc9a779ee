"""The rules of reading for lung ultrasound, as data and pure functions.

Pure: no Django, no clock, no database. Zones are codes such as ``R1`` or ``LB``: the patient's
side and the place on it. Findings are a mapping ``(zone, sign) -> value`` of the codes in
``lists/signs.toml``. Nothing here decides anything about a patient: the functions say which
answers the recorded findings go with, so that an education record can point at what is missing.

Sources. B-lines, zones, the interstitial rule, signs of pneumothorax: Volpicelli G et al.,
Intensive Care Med 2012;38:577-91. The rule that asks one positive zone a side: the eight-point
method compared in Buessler A et al., Chest 2020. Depths and probes: common practice.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import cache, lru_cache
from pathlib import Path
from typing import Self

import rfc8785

from logbook.answers import (
    DIFFUSE,
    FOCAL,
    INDETERMINATE,
    NEGATIVE,
    NONE,
    POSITIVE,
    Answer,
)

Findings = Mapping[tuple[str, str], str]

SIDES = {"R": "right", "L": "left"}
CONFLUENT = "confluent"
MOST_COUNTED = "5+"

# What an application needs to have been imaged. One positive zone is enough for a positive answer.
ONE_ANTERIOR, INTERSTITIAL_ZONES, EVERY_ZONE, BASES = (
    "one_anterior",
    "not_base",
    "every",
    "bases",
)
REQUIRED_RULES = (ONE_ANTERIOR, INTERSTITIAL_ZONES, EVERY_ZONE, BASES)

PNEUMOTHORAX, CONSOLIDATION, INTERSTITIAL, EFFUSION = (
    "pneumothorax",
    "consolidation",
    "interstitial",
    "effusion",
)
DEFAULT_REQUIRED = (
    (PNEUMOTHORAX, ONE_ANTERIOR),
    (CONSOLIDATION, EVERY_ZONE),
    (INTERSTITIAL, INTERSTITIAL_ZONES),
    (EFFUSION, BASES),
)

# After these, absent sliding proves nothing either way.
PLEURA_ALTERED = frozenset({"pleurodesis", "thoracic_surgery", "adhesions", "bullae"})
NO_ADULT_DEPTH = frozenset({"neonate", "infant", "1-17", ""})
UPRIGHT = frozenset({"seated", "semi_recumbent", "standing"})


# --- zones ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Zone:
    """One place on the chest. ``name`` is English source text for gettext."""

    code: str
    side: str
    region: str
    level: str
    name: str


@dataclass(frozen=True)
class Scheme:
    code: str
    name: str
    zones: tuple[Zone, ...]

    def __getitem__(self, code: str) -> Zone:
        for zone in self.zones:
            if zone.code == code:
                return zone
        raise KeyError(code)

    def __contains__(self, code: object) -> bool:
        return any(zone.code == code for zone in self.zones)

    def of_side(self, side: str) -> tuple[Zone, ...]:
        return tuple(zone for zone in self.zones if zone.side == side)


@cache
def schemes() -> Mapping[str, Scheme]:
    """Every zone scheme of ``lists/zones.toml``; right before left, top before bottom."""
    data = tomllib.loads((Path(__file__).parent / "lists" / "zones.toml").read_text("utf-8"))
    made = {}
    for code, scheme in data["scheme"].items():
        missing_left = scheme.get("not_left", [])
        zones = tuple(
            Zone(
                letter + place,
                side,
                name=(z := data["zone"][place])["name"],
                region=z["region"],
                level=z["level"],
            )
            for letter, side in SIDES.items()
            for place in scheme["zones"]
            if not (side == "left" and place in missing_left)
        )
        made[code] = Scheme(code, scheme["name"], zones)
    return made


# --- parameters ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Parameters:
    """The rules of reading that a programme chose; frozen on every revision as canonical text.

    ``required`` pairs an application with one of ``REQUIRED_RULES``. Depths are millimetres.
    Raises ValueError for values that no rule can use.
    """

    scheme: str = "8b"
    b_lines_per_zone: int = 3
    positive_zones_per_side: int = 2
    both_sides: bool = True
    pleura_at_most_mm: int = 70
    deep_at_least_mm: int = 120
    required: tuple[tuple[str, str], ...] = field(default=DEFAULT_REQUIRED)

    def __post_init__(self) -> None:
        if self.scheme not in schemes():
            raise ValueError(f"no zone scheme {self.scheme!r}")
        if not 1 <= self.b_lines_per_zone <= 5:
            raise ValueError("B-lines per zone are between 1 and 5")
        if not 1 <= self.positive_zones_per_side <= 4:
            raise ValueError("positive zones per side are between 1 and 4")
        if not 0 < self.pleura_at_most_mm <= self.deep_at_least_mm <= 400:
            raise ValueError("depths run from the pleural line's limit to the deep view's")
        if any(rule not in REQUIRED_RULES for _, rule in self.required):
            raise ValueError("an application asks for zones by a rule that does not exist")
        object.__setattr__(self, "required", tuple(sorted(tuple(pair) for pair in self.required)))

    @property
    def zones(self) -> Scheme:
        return schemes()[self.scheme]

    def required_rule(self, application: str) -> str:
        return dict(self.required).get(application, EVERY_ZONE)

    @property
    def text(self) -> str:
        """Canonical JSON (RFC 8785): equal parameters give equal text."""
        values = asdict(self) | {"required": dict(self.required)}
        return rfc8785.dumps(values).decode()

    @classmethod
    @lru_cache(64)
    def from_text(cls, text: str) -> Self:
        values = json.loads(text)
        return cls(**values | {"required": tuple(values["required"].items())})


# --- single zones --------------------------------------------------------------------------------


def b_line_count(value: str) -> int | None:
    """B-lines in the frame that shows most, in one interspace; None where not looked at.

    Confluent lines have no number: they count as more than any threshold.
    """
    if value == "":
        return None
    if value in (CONFLUENT, MOST_COUNTED):
        return 5
    return int(value)


def zone_is_positive(findings: Findings, zone: str, parameters: Parameters) -> bool | None:
    """Whether the zone has at least so many B-lines; None where B-lines were not looked at."""
    count = b_line_count(findings.get((zone, "b_lines"), ""))
    return None if count is None else count >= parameters.b_lines_per_zone


def excludes_pneumothorax(findings: Findings, zone: str) -> bool:
    """Any sliding, B-line or lung pulse excludes it at that spot, and only there."""
    return (
        findings.get((zone, "sliding")) == "present"
        or findings.get((zone, "lung_pulse")) == "present"
        or bool(b_line_count(findings.get((zone, "b_lines"), "")))
    )


# --- what the findings go with -------------------------------------------------------------------


def interstitial_pattern(findings: Findings, parameters: Parameters) -> Answer:
    """*Diffuse* where the programme's rule is met, *none* where every zone that is asked for was
    looked at and none is positive, else *focal* with its sides; open while not enough is known."""
    asked = required_zones(INTERSTITIAL, parameters)
    positive = {
        side: [z.code for z in zones if zone_is_positive(findings, z.code, parameters)]
        for side, zones in ((s, parameters.zones.of_side(s)) for s in SIDES.values())
    }
    enough = [len(zones) >= parameters.positive_zones_per_side for zones in positive.values()]
    if all(enough) or (any(enough) and not parameters.both_sides):
        return Answer(pattern=DIFFUSE)
    if any(positive.values()):
        return Answer(
            pattern=FOCAL,
            right=POSITIVE if positive["right"] else NEGATIVE,
            left=POSITIVE if positive["left"] else NEGATIVE,
        )
    looked_at = {zone for zone, sign in findings if sign == "b_lines" and findings[zone, sign]}
    return Answer(pattern=NONE) if asked and asked <= looked_at else Answer()


@dataclass(frozen=True)
class Context:
    """What the rules need to know about the patient at that moment: codes of the value lists."""

    position: str = ""
    breathing: str = ""
    age_band: str = ""
    chest_procedures: frozenset[str] = frozenset()

    @property
    def pleura_altered(self) -> bool:
        return bool(self.chest_procedures & PLEURA_ALTERED)


ANY_SIDE = frozenset({POSITIVE, NEGATIVE, INDETERMINATE})


def least_dependent(side: str, position: str, parameters: Parameters) -> frozenset[str]:
    """The anterior zones where free air collects: the upper ones where the patient sits up, none
    of them where the patient lies on the front.

    Common practice; programmes that need it stricter say so in their teaching.
    """
    if position == "prone":
        return frozenset()
    anterior = [z for z in parameters.zones.of_side(side) if z.region == "anterior"]
    if position in UPRIGHT:
        anterior = [z for z in anterior if z.level == "upper"] or anterior
    return frozenset(z.code for z in anterior)


def pneumothorax_side(
    findings: Findings, side: str, context: Context, parameters: Parameters
) -> frozenset[str]:
    """The answers that one side's findings go with.

    A lung point shows it. Sliding, a B-line or a lung pulse at the least dependent anterior spot
    excludes it there. Absent sliding has other causes, so it never goes with *negative* alone
    and never obliges to *positive*; where the pleura was altered before, only a lung point goes
    with *positive*.
    """
    zones = [z.code for z in parameters.zones.of_side(side)]
    if any(findings.get((zone, "lung_point")) == "seen" for zone in zones):
        return frozenset({POSITIVE})
    excluded = {zone for zone in zones if excludes_pneumothorax(findings, zone)}
    absent = {zone for zone in zones if findings.get((zone, "sliding")) == "absent"} - excluded
    if excluded & least_dependent(side, context.position, parameters):
        return frozenset({NEGATIVE, INDETERMINATE} if absent else {NEGATIVE})
    if context.pleura_altered and (absent or excluded):
        return frozenset({NEGATIVE, INDETERMINATE} if excluded else {INDETERMINATE})
    return frozenset({POSITIVE, INDETERMINATE}) if absent else ANY_SIDE


_SHOWN = {
    CONSOLIDATION: {
        "consolidation": {"subpleural", "lobar"},
        "shred": {"seen"},
        "air_bronchogram": {"static", "dynamic"},
    },
    EFFUSION: {"effusion": {"small", "moderate", "large"}},
}


def shown_side(
    application: str, findings: Findings, side: str, parameters: Parameters
) -> frozenset[str]:
    """Consolidation or effusion: positive where one zone shows it, negative where all the zones
    that are asked for were looked at without it, else any answer."""
    signs = _SHOWN[application]
    zones = [z.code for z in parameters.zones.of_side(side)]
    if any(findings.get((zone, sign)) in shown for sign, shown in signs.items() for zone in zones):
        return frozenset({POSITIVE})
    asked = required_zones(application, parameters) & set(zones)
    if asked and all(findings.get((zone, application)) == "none" for zone in asked):
        return frozenset({NEGATIVE})
    return ANY_SIDE


def disagrees(
    application: str,
    answer: Answer,
    findings: Findings,
    context: Context,
    parameters: Parameters,
) -> tuple[str, ...]:
    """Sides (``right``, ``left``, or ``pattern``) on which answer and findings do not go together.

    Only for after the submission: before it, it would rewrite the answer that is measured.
    *Limited* and *indeterminate* are never contradicted by findings that decide nothing.
    """
    if answer.is_open or answer.limited:
        return ()
    if application == INTERSTITIAL:
        found = interstitial_pattern(findings, parameters)
        known = not found.is_open
        return ("pattern",) if known and found != answer else ()
    if answer.pattern:
        return ()
    clashing = []
    for side in SIDES.values():
        if application == PNEUMOTHORAX:
            goes_with = pneumothorax_side(findings, side, context, parameters)
        elif application in _SHOWN:
            goes_with = shown_side(application, findings, side, parameters)
        else:
            goes_with = ANY_SIDE
        if getattr(answer, side) not in goes_with:
            clashing.append(side)
    return tuple(clashing)


# --- what has to be imaged -----------------------------------------------------------------------


def zones_asked(rule: str, parameters: Parameters) -> frozenset[str]:
    """The zones of a rule of ``REQUIRED_RULES``. A scheme without bases takes its lowest zones."""
    zones = parameters.zones.zones
    if rule == ONE_ANTERIOR:
        return frozenset(z.code for z in zones if z.region == "anterior")
    if rule == INTERSTITIAL_ZONES:
        return frozenset(z.code for z in zones if z.region != "base")
    if rule == BASES:
        for region in ("base", "posterior", "lateral", "anterior"):
            if found := {z.code for z in zones if z.region == region and z.level == "lower"}:
                return frozenset(found)
    return frozenset(z.code for z in zones)


def required_zones(application: str, parameters: Parameters) -> frozenset[str]:
    return zones_asked(parameters.required_rule(application), parameters)


def missing_zones(
    application: str,
    imaged: Collection[str],
    parameters: Parameters,
    *,
    answer: Answer | None = None,
) -> tuple[str, ...]:
    """Zones still to image, in the scheme's order; empty where nothing is missing.

    Under ``ONE_ANTERIOR`` a side without any anterior zone gives all of them, to choose one from.
    With a positive ``answer`` one zone on a positive side is enough.
    """
    imaged = frozenset(imaged)
    scheme = parameters.zones
    positive = answer.positive_sides if answer else ()
    if any(z.code in imaged for side in positive for z in scheme.of_side(side)):
        return ()
    asked = required_zones(application, parameters)
    if parameters.required_rule(application) == ONE_ANTERIOR:
        for side in SIDES.values():
            of_side = {z.code for z in scheme.of_side(side)}
            if asked & of_side & imaged:
                asked -= of_side
    return tuple(z.code for z in scheme.zones if z.code in asked - imaged)


# --- hints before the submission -----------------------------------------------------------------


@dataclass(frozen=True)
class View:
    """What a capture says about itself. ``kind``: still, clip or archive; ``mode``: b or m."""

    zone: str
    probe: str = ""
    depth_mm: int | None = None
    mode: str = "b"
    kind: str = "clip"


@dataclass(frozen=True)
class Hint:
    """Something to look at before submitting; ``logbook.words.hint`` gives its sentence."""

    code: str
    application: str = ""
    zones: tuple[str, ...] = ()


def shows_movement(view: View) -> bool:
    """A still cannot show sliding, lung pulse or lung point; the scanner's own M-mode can."""
    return view.kind != "still" or view.mode == "m"


def view_problem(application: str, view: View, age_band: str, parameters: Parameters) -> str | None:
    """Why this view cannot answer the application, as a hint's code; None where it can.

    Depths are an adult's: linear and shallow is right in the small, so nothing is said there.
    """
    if view.kind == "archive":
        return None
    if application == PNEUMOTHORAX and not shows_movement(view):
        return "still_for_movement"
    if age_band in NO_ADULT_DEPTH or view.mode == "m":
        return None
    depth = view.depth_mm
    if application == PNEUMOTHORAX:
        return "too_deep" if depth is not None and depth > parameters.pleura_at_most_mm else None
    if application == CONSOLIDATION:
        return None if view.probe != "linear" else "linear_probe"
    if view.probe == "linear":
        return "linear_probe"
    return "too_shallow" if depth is not None and depth < parameters.deep_at_least_mm else None


def hints_before(
    applications: Iterable[str],
    views: Sequence[View],
    findings: Findings,
    context: Context,
    parameters: Parameters,
    answers: Mapping[str, Answer] | None = None,
) -> list[Hint]:
    """What may be pointed out before a submission: nothing here says what the answer should be.

    Order: by application as asked, then zones missing, then views that cannot answer.
    """
    hints: list[Hint] = []
    order = [z.code for z in parameters.zones.zones]
    imaged = {view.zone for view in views}
    for application in applications:
        answer = (answers or {}).get(application)
        if missing := missing_zones(application, imaged, parameters, answer=answer):
            hints.append(Hint("zones_missing", application, missing))
        asked = required_zones(application, parameters)
        problems: dict[str, list[str]] = {}
        for zone in order:
            here = [view for view in views if view.zone == zone and zone in asked]
            said = [view_problem(application, v, context.age_band, parameters) for v in here]
            if here and all(said):
                problems.setdefault(str(said[0]), []).append(zone)
        hints += [Hint(code, application, tuple(zones)) for code, zones in problems.items()]
    if no_sliding_anywhere(findings, parameters):
        hints.append(Hint("check_breathing"))
    return hints


def no_sliding_anywhere(findings: Findings, parameters: Parameters) -> bool:
    """Sliding absent on both sides and present nowhere: first check that the patient breathes."""
    values = {
        side: {findings.get((z.code, "sliding"), "") for z in parameters.zones.of_side(side)}
        for side in SIDES.values()
    }
    return all("absent" in found and "present" not in found for found in values.values())
