"""What publishing refuses, as sentences; and what it says beside a bound. Computes only."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping

from django.utils.translation import gettext as _

from credentialing import learning_curve
from credentialing.bounds import fewest_passing
from credentialing.looks import chance_of_passing
from credentialing.measures import AT_LEAST, AT_MOST, BEST, ONCE, SCAN, Clause, Gate, Plan
from credentialing.measures.items import DOCUMENTS, REMEDIATION
from credentialing.measures.plans import (
    APART,
    AS_POSITIVE,
    CENSUS,
    COUNTS,
    CURVES,
    MEDIANS,
    MONTHS,
    OF_ANSWERS,
    REFERENCED,
    SHARES,
)

LEAST_POSITIVES = 10
# Of accuracy: they keep `agreement` from being won by always answering negative.
HONEST = ("positive_agreement", "sensitivity")


def refusals(
    plan: Plan, *, groups: Mapping[str, str] | None = None, override_reason: str = ""
) -> list[str]:
    """Why this plan cannot be published; empty where it can.

    groups: application -> group of the programme; None where they are not known yet.
    override_reason: the director's, for agreement without what keeps it honest.
    """
    found: list[str] = []
    if not plan.gates or not plan.clauses:
        found.append(_("The plan asks nothing: add a gate with at least one clause."))
    if not 0 <= plan.transfer_share <= 1:
        found.append(_("What may have been attested elsewhere is a share from 0 to 1."))
    for gate in plan.gates:
        found += _of_gate(gate)
        for clause in gate.clauses:
            reasons = [*_of_clause(clause, gate, groups), *_of_links(clause, plan)]
            found += [_("Clause %(n)s: %(why)s") % {"n": clause.ordinal, "why": w} for w in reasons]
        if not override_reason.strip():
            found += _of_accuracy(gate)
    if plan.clauses and all(clause.measure in CURVES for clause in plan.clauses):
        found.append(
            _("A learning curve is never the only thing that a plan asks: it says nothing of how "
              "many scans, or of which kind.")
        )  # fmt: skip
    return found


def remarks(plan: Plan) -> list[str]:
    """What the page says beside the bounds of a plan that may be published."""
    out = []
    for gate in plan.gates:
        for clause in gate.clauses:
            if clause.measure in CURVES:
                out.append(_of_curve(clause))
            if not clause.bound or clause.direction != AT_LEAST:
                continue
            out.append(
                _("Clause %(n)s: %(what)s") % {"n": clause.ordinal, "what": _told(clause, gate)}
            )
    return out


def _told(clause: Clause, gate: Gate) -> str:
    size = _judged_at(clause, gate)
    told = []
    if size is not None:
        told.append(
            _("of the plan's own %(n)s the last look is at %(size)s, where %(fewest)s must agree.")
            % {"n": _own_count(clause, gate), "size": size, "fewest": fewest_at(clause, size)}
            if clause.has_looks
            else _("of the plan's own %(n)s, %(fewest)s must agree.")
            % {"n": size, "fewest": fewest_at(clause, size)}
        )
    told.append(
        _("the fewest that can pass: %(list)s.")
        % {"list": ", ".join(f"{x}/{n}" for x, n in fewest_list(clause))}
    )
    if not clause.has_looks:
        told.append(_("Not protected against repeated checking."))
    elif clause.measure in ("agreement", "determinate", "adequate_share"):
        told.append(chances(clause))
    return " ".join(
        [told[0][:1].upper() + told[0][1:], *(one[:1].upper() + one[1:] for one in told[1:])]
    )


def chances(clause: Clause) -> str:
    """What being looked at again and again lets through."""
    first = max(clause.least, clause.step)

    def chance(rate: float, by: int) -> str:
        found = chance_of_passing(rate, bar=clause.bar, by=by, step=clause.step, first=first)
        return f"{found:.1%}"

    above = min(1.0, clause.bar + 0.10)
    return _(
        "Looked at after every %(step)s: somebody exactly at the bar passes by 100 with a chance "
        "of %(at)s and by 200 of %(at2)s; at %(above)s of %(up)s and %(up2)s."
    ) % {
        "step": clause.step,
        "at": chance(clause.bar, 100),
        "at2": chance(clause.bar, 200),
        "above": f"{above:.0%}",
        "up": chance(above, 100),
        "up2": chance(above, 200),
    }


def _of_curve(clause: Clause) -> str:
    limits = learning_curve.Limits(clause.adequate_rate, clause.inadequate_rate, clause.limit)
    passes = learning_curve.chance_of_signal(limits, limits.inadequate, learning_curve.BY)
    told = _(
        "Clause %(n)s: the curve signals for somebody who disagrees in %(rate)s of scans with a "
        "chance of %(chance)s by %(by)s scans; the shortest run is %(run)s."
    ) % {
        "n": clause.ordinal,
        "rate": f"{limits.inadequate:.0%}",
        "chance": f"{passes:.1%}",
        "by": learning_curve.BY,
        "run": limits.shortest_run,
    }
    if learning_curve.passes_the_inadequate(limits) is not None:
        told += " " + _("That is too easy: more than one in twenty of the inadequate pass.")
    return told


# ---------------------------------------------------------------------------------------------
# One clause


def _of_clause(clause: Clause, gate: Gate, groups: Mapping[str, str] | None) -> Iterator[str]:
    measure, bar = clause.measure, clause.bar
    yield from _of_bar(clause)
    if not 1 <= clause.cut <= 5:
        yield _("quality is marked 1 to 5, and so is the cut.")
    if clause.within_months is not None and not 1 <= clause.within_months <= 120:
        yield _("a window has 1 to 120 months.")
    if clause.within_months is not None and measure in (*MONTHS, *CURVES, "per_period"):
        yield _("time that has passed, a curve and periods have no window of their own.")
    if clause.direction == AT_MOST and clause.mode == ONCE:
        yield _("an upper limit must hold still: having kept it once says nothing.")
    if clause.normal_cap is not None and measure != "credited":
        yield _("a cap on normal scans touches credited ones only.")
    if clause.normal_cap is not None and clause.normal_cap < 0:
        yield _("a cap cannot be under 0.")
    if clause.unit != SCAN and measure not in (*COUNTS, "per_period"):
        yield _("only counts can be of exams or of patients.")
    if measure == "with_finding" and not clause.finding:
        yield _("say which finding is counted.")
    if clause.bound and (measure not in SHARES or measure in CENSUS):
        yield _("only a share of a sample has a plausible range.")
    if clause.min_n is not None and clause.min_n < 1:
        yield _("a value needs at least one scan to be known.")
    if clause.step < 1:
        yield _("looks lie at least one scan apart.")
    if clause.focal != APART and measure not in (*OF_ANSWERS, "positive"):
        yield _("what a focal pattern counts as is asked of answers and of positive scans only.")
    if clause.focal not in (APART, AS_POSITIVE) and measure == "positive":
        yield _("a focal pattern is a finding: it can count as positive or stand apart.")
    yield from _of_other_kinds(clause)
    yield from _unknown_scope(clause, groups)
    if clause.bound and clause.direction == AT_LEAST and measure in SHARES and 0 < bar <= 1:
        yield from _unreachable(clause, gate)


def _of_bar(clause: Clause) -> Iterator[str]:
    measure, bar, at_most = clause.measure, clause.bar, clause.direction == AT_MOST
    if measure in SHARES:
        if not (0 <= bar < 1 if at_most else 0 < bar <= 1):
            yield _("a share lies between 0 and 1, so %(bar)s cannot be its bar.") % {
                "bar": f"{bar:g}"
            }
    elif bar != int(bar):
        yield _("%(measure)s is a whole number; %(bar)s is not.") % {
            "measure": measure, "bar": f"{bar:g}",
        }  # fmt: skip
    elif clause.direction == AT_LEAST and bar < 1:
        yield _("at least 0 asks nothing.")
    elif bar < 0:
        yield _("a number cannot be under 0.")
    if measure in MEDIANS and not 1 <= bar <= 5:
        yield _("quality is marked 1 to 5.")
    if measure == "unread_share" and not at_most:
        yield _("what is unread can have an upper limit only.")
    if measure in CURVES and (at_most or bar != 1):
        yield _("a curve has signalled or it has not: at least 1.")


def _of_other_kinds(clause: Clause) -> Iterator[str]:
    measure = clause.measure
    if measure == "assessed" and not 1 <= clause.level <= 5:
        yield _("entrustment has the levels 1 to 5.")
    if measure == "document" and clause.kind.partition(":")[0] not in DOCUMENTS:
        yield _("say which dated record is asked: course, written_test or other.")
    if measure == "per_period" and not 1 <= clause.periods <= 60:
        yield _("so many in each of the last 1 to 60 periods.")
    if clause.max_share is not None and (measure != "readers" or not 0 < clause.max_share <= 1):
        yield _("the largest share of one reader lies between 0 and 1.")
    if measure in (*REFERENCED, *CURVES) and not clause.application:
        yield _("it is worked out for one application at a time: name it.")
    if measure in REFERENCED:
        yield _("results of a reference are not entered here yet, so it would never be known.")
    if measure in CURVES:
        try:
            learning_curve.Limits(clause.adequate_rate, clause.inadequate_rate, clause.limit)
        except ValueError:
            yield _("an adequate rate lies under the inadequate one, both between 0 and 1.")


def _unknown_scope(clause: Clause, groups: Mapping[str, str] | None) -> Iterator[str]:
    if clause.application and clause.group:
        yield _("a clause covers an application or a group, not both.")
    if groups is None:
        return
    if clause.application and clause.application not in groups:
        yield _("this programme has no application %(name)r.") % {"name": clause.application}
    if clause.group and clause.group not in groups.values():
        yield _("this programme has no group %(name)r.") % {"name": clause.group}


# ---------------------------------------------------------------------------------------------
# Clauses that hang together


def _of_links(clause: Clause, plan: Plan) -> Iterator[str]:
    before = {one.ordinal: one for one in plan.clauses if one.ordinal < clause.ordinal}
    for ordinal in clause.further:
        if ordinal not in before:
            yield _("there is no clause %(n)s before it whose scans it could leave.") % {
                "n": ordinal
            }
        elif before[ordinal].measure not in COUNTS:
            yield _("clause %(n)s uses no scans that could be left to it.") % {"n": ordinal}
    if clause.further and clause.measure not in COUNTS:
        yield _("only counts of scans can be of further ones.")
    if clause.after is not None and clause.after not in before:
        yield _("there is no clause %(n)s before it that it could come after.") % {
            "n": clause.after
        }
    if clause.since and not _is_since(clause.since):
        yield _(
            "it counts since a day such as 2026-07-01, since a course, a written_test or other "
            "record, or since a remediation; %(since)r is none of them."
        ) % {"since": clause.since}


def _is_since(since: str) -> bool:
    if since[:1].isdigit():
        try:
            dt.date.fromisoformat(since)
        except ValueError:
            return False
        return True
    return since == REMEDIATION or since.partition(":")[0] in DOCUMENTS


def _of_gate(gate: Gate) -> Iterator[str]:
    name = gate.title or _("Part %(n)s") % {"n": gate.ordinal}
    if not gate.clauses:
        yield _("%(gate)s asks nothing: add a clause or take it out.") % {"gate": name}
    elif not 1 <= gate.needs <= len(gate.clauses):
        yield _("%(gate)s asks %(n)s of %(of)s clauses.") % {
            "gate": name, "n": gate.needs, "of": len(gate.clauses),
        }  # fmt: skip
    if gate.window != BEST:
        return
    if gate.within_months is None or not 1 <= gate.within_months <= 120:
        yield _("%(gate)s: a window has 1 to 120 months.") % {"gate": name}
    wrong = [
        one.ordinal
        for one in gate.clauses
        if one.measure not in COUNTS or one.direction != AT_LEAST or one.within_months is not None
    ]
    if wrong:
        yield _(
            "%(gate)s: in a best window stand counts with at least, and no window of their own. "
            "Of shares the best stretch says little: the best 25 of 100 scans reach 90%% for two "
            "thirds of people whose true share is 80%%. It concerns clause %(list)s."
        ) % {"gate": name, "list": ", ".join(map(str, wrong))}
    if any(one.further for one in gate.clauses):
        yield _("%(gate)s: a clause in a best window cannot leave scans to others.") % {
            "gate": name
        }


# ---------------------------------------------------------------------------------------------
# Bounds


def _bar_of_sample(clause: Clause) -> float:
    """The bar for the share that is sampled: 2j/(1+j) of the specific agreements is at the bar
    where j is at bar/(2 - bar)."""
    if clause.measure in ("positive_agreement", "negative_agreement"):
        return clause.bar / (2 - clause.bar)
    return clause.bar


def fewest_at(clause: Clause, size: int) -> int | None:
    return fewest_passing(_bar_of_sample(clause), size)


def fewest_list(clause: Clause) -> list[tuple[int, int]]:
    """(fewest, of): with no miss, with one, with two."""
    found: list[tuple[int, int]] = []
    size, bar = 1, _bar_of_sample(clause)
    while len(found) < 3 and size < 1000:
        fewest = fewest_passing(bar, size)
        if fewest == size - len(found):
            found.append((fewest, size))
        size += 1
    return found


def _unreachable(clause: Clause, gate: Gate) -> Iterator[str]:
    if _bar_of_sample(clause) >= 1:
        yield _("no number of scans gives a lower bound of 1: it cannot be met.")
        return
    own = _own_count(clause, gate)
    if own is None:
        return
    size = _judged_at(clause, gate)
    fewest = fewest_list(clause)[0][0]
    if size is None:
        yield _(
            "the plan asks %(n)s scans, and the first look is after %(first)s: it cannot be met."
        ) % {"n": own, "first": _first_look(clause)}
    elif fewest_at(clause, size) is None:
        yield _(
            "with the plan's own %(n)s even %(n)s of %(n)s stay under %(bar)s; it takes %(fewest)s "
            "without a miss. Ask for more scans or lower the bar."
        ) % {"n": size, "bar": f"{clause.bar:.0%}", "fewest": fewest}


def _first_look(clause: Clause) -> int:
    return -(-max(clause.least, 1) // clause.step) * clause.step


def _judged_at(clause: Clause, gate: Gate) -> int | None:
    """How many scans the plan's own count brings before the bound: at the last look within it.
    None where it says no number, or has no look."""
    own = _own_count(clause, gate)
    if own is None or not clause.has_looks:
        return own
    size = own // clause.step * clause.step
    return size if size >= _first_look(clause) else None


def _own_count(clause: Clause, gate: Gate) -> int | None:
    """How many scans of the same kind the gate itself asks."""
    asked = [
        int(other.bar)
        for other in gate.clauses
        if other.measure in ("credited", "read")
        and other.direction == AT_LEAST
        and (other.application, other.group) == (clause.application, clause.group)
    ]
    return max(asked, default=None)


# ---------------------------------------------------------------------------------------------
# Accuracy


def _of_accuracy(gate: Gate) -> Iterator[str]:
    measures = {clause.measure for clause in gate.clauses}
    for clause in gate.clauses:
        if clause.measure not in ("agreement", "curve") or clause.direction != AT_LEAST:
            continue
        positives = sum(
            int(other.bar)
            for other in gate.clauses
            if other.measure == "positive"
            and other.direction == AT_LEAST
            and clause.application in ("", other.application)
        )
        if positives < LEAST_POSITIVES or not measures & set(HONEST):
            yield _(
                "Clause %(n)s: agreement can be had by always answering negative. The same gate "
                "must ask at least %(positives)s positive scans and how often positive ones are "
                "found, or the director overrides this with a reason."
            ) % {"n": clause.ordinal, "positives": LEAST_POSITIVES}
