"""The sentences that stand beside the numbers of a report, and its cautions.

Each takes whole numbers of the content and gives one translated sentence or two. They live here
and not in the layout, so that the page, the table and a test read the same words.
"""

from __future__ import annotations

from django.utils.translation import gettext as _
from django.utils.translation import ngettext, pgettext

from .content import Accuracy, AsOf, Beside, Clause, Content, Head, Recommendation, Trainee
from .words import LOST, day, month, percent


def not_issued() -> str:
    return _(
        "Not issued. This is a working copy without a signature. Nobody has put their name "
        "under it, and no decision may rest on it."
    )


def cautions() -> list[str]:
    """On every report; none may be left out."""
    return [
        _("This is an education record. It is not the patient's chart and not for diagnosis."),
        _("Nobody watches this list. If you are worried about the patient, call now."),
        _("Local credentialing policy and the licensed clinician at the bedside decide."),
        _("Whether these records are protected from disclosure is local law: ask counsel."),
    ]


def report() -> str:
    return _(
        "The report says where a record stands against numbers that were set locally. It does "
        "not by itself show that anyone is competent to scan alone. Privileges are granted by "
        "the hospital's governing body, not by this report."
    )


def as_of(at: AsOf) -> str:
    return _(
        "As known at the end of %(read_by)s: scans performed up to %(performed_by)s, read up to "
        "%(read_by)s, %(position)s entries of the ledger, days in %(zone)s."
    ) % {
        "performed_by": day(at["performed_by"]),
        "read_by": day(at["read_by"]),
        "position": at["position"],
        "zone": at["zone"],
    }


def credited(person: Trainee) -> str:
    return _(
        "Credited so far: %(scans)s of %(exams)s. A number shows exposure, not competence."
    ) % {
        "scans": ngettext("%(n)s scan", "%(n)s scans", person["credited_scans"])
        % {"n": person["credited_scans"]},
        "exams": ngettext("%(n)s exam", "%(n)s exams", person["credited_exams"])
        % {"n": person["credited_exams"]},
    }


def waiting(person: Trainee) -> str:
    return _("Waiting: %(unread)s performed and unread, %(returned)s returned to the trainee.") % {
        "unread": person["waiting_unread"],
        "returned": person["waiting_returned"],
    }


def agreement(one: Accuracy) -> str:
    return _(
        "%(name)s: %(agree)s of %(pairs)s matched one blind reader, who can be wrong. Answering "
        "always negative would have matched %(negative)s of %(pairs)s, always positive "
        "%(positive)s."
    ) % {
        "name": one["name"],
        "agree": one["agree"],
        "pairs": one["pairs"],
        "negative": one["always_negative"],
        "positive": one["always_positive"],
    }


def yardstick() -> str:
    return _(
        "The yardstick for agreement is how often two readers here agree with each other, not "
        "the accuracy that experts reach against CT. Nothing on this page was compared with a "
        "patient's outcome."
    )


def bound() -> str:
    return _(
        "The range is the 95% range by Wilson: plausible values if exams like these went on. It "
        "is not protected against repeated checking: looked at often enough, someone exactly at "
        "a bar will pass it by chance."
    )


def submitted(name: str, beside: Beside) -> str:
    return _(
        "%(name)s chose which exams to submit. Not among the readings compared: drafts older "
        "than 7 days %(drafts)s, withdrawn after submission %(withdrawn)s, returned "
        "%(returned)s, closed %(closed)s, set aside %(set_aside)s, late %(late)s, not "
        "independent %(not_independent)s, corrected after the reveal %(corrected)s."
    ) % {
        "name": name,
        "drafts": beside["drafts_old"],
        "withdrawn": beside["withdrawn"],
        "returned": beside["returned"],
        "closed": beside["closed"],
        "set_aside": beside["set_aside"],
        "late": beside["late"],
        "not_independent": beside["not_independent"],
        "corrected": beside["corrected"],
    }


def codes() -> str:
    return _(
        "R and L are the patient's right and left; + positive, - negative, ? indeterminate. "
        "Quality is the reader's mark from 1 to 5, where 3 is adequate, given before the "
        "trainee's answer was shown."
    )


def met_on() -> str:
    return _(
        "Having met a number once is not the same as meeting it now; each clause says which it "
        "asks."
    )


def cohort(people: int) -> str:
    return _(
        "Among %(people)s people some look extreme by chance. The order is the alphabet's and "
        "says nothing about skill."
    ) % {"people": people}


def recommendation(one: Recommendation) -> str:
    """The director's statement, in one sentence; their own words stand after it."""
    said = {"name": one["by"], "day": day(one["on"])}
    if one["recommends"] is None:
        return (
            _("Issued by %(name)s for the programme on %(day)s, without a recommendation.") % said
        )
    if one["recommends"]:
        return _("%(name)s, for the programme, recommends this person. %(day)s.") % said
    return _("%(name)s, for the programme, does not recommend this person. %(day)s.") % said


def reviewed(content: Head) -> str:
    """How scans were reviewed: the programme's own words, else what the service does."""
    return content["sheet"]["reviewed"] or _(
        "Each scan was read by a faculty member with the programme's privilege to read that "
        "application, before the trainee's answer was shown. Credit followed the programme's "
        "written rule."
    )


def contact(content: Head) -> str:
    if content["sheet"]["contact"]:
        return content["sheet"]["contact"]
    return _("Ask %(programme)s at %(institution)s.") % {
        "programme": content["programme"],
        "institution": content["institution"],
    }


def outside_standing(person: dict) -> str:
    """The plan as a whole, by month."""
    plan = person["plan"]
    if plan is None:
        return _("No plan was assigned on that date.")
    named = _("%(name)s, version %(version)s") % {"name": plan["name"], "version": plan["version"]}
    if person["state"] == "met":
        return _("This record meets %(plan)s, since %(month)s.") % {
            "plan": named,
            "month": month(person["met_month"]) or "—",
        }
    return _("This record does not meet %(plan)s.") % {"plan": named}


def outside_kept(person: dict) -> str:
    """That not every clause is shown, where that is so."""
    kept = person["clauses_inside"]
    if not kept:
        return ""
    return ngettext(
        "%(n)s further clause of the plan judges readings and stays in the programme's own "
        "review. The sentence above takes it into account.",
        "%(n)s further clauses of the plan judge readings and stay in the programme's own "
        "review. The sentence above takes them into account.",
        kept,
    ) % {"n": kept}


def outside_totals(person: dict) -> str:
    return _(
        "%(scans)s of %(exams)s credited, read by %(readers)s. A number shows exposure, not "
        "competence."
    ) % {
        "scans": ngettext("%(n)s scan", "%(n)s scans", person["credited_scans"])
        % {"n": person["credited_scans"]},
        "exams": ngettext("%(n)s exam", "%(n)s exams", person["credited_exams"])
        % {"n": person["credited_exams"]},
        "readers": ngettext("%(n)s reader", "%(n)s readers", person["readers"])
        % {"n": person["readers"]},
    }


def check(url: str) -> str:
    return _(
        "Whoever holds this file can check it at %(url)s: whether it still stands, and whether "
        "the file is the one that was signed. The check compares the file, not the paper: what "
        "is printed can be copied."
    ) % {"url": url}


def signed_with(fingerprint: str) -> str:
    return _(
        "Signed once with the programme's key. SHA-256 of its certificate: %(fingerprint)s."
    ) % {"fingerprint": fingerprint}


def standing(person: Trainee) -> str:
    """The plan as a whole, in one sentence."""
    plan = person["plan"]
    if plan is None:
        return _("No plan was assigned on that date.")
    named = _("%(name)s, version %(version)s") % {"name": plan["name"], "version": plan["version"]}
    if person["state"] == "met":
        return _("This record meets %(plan)s, since %(day)s.") % {
            "plan": named,
            "day": day(person["met_on"]) if person["met_on"] else "—",
        }
    met = sum(clause["state"] == "met" for clause in person["clauses"])
    return _("This record does not meet %(plan)s: %(met)s of %(all)s clauses are met.") % {
        "plan": named,
        "met": met,
        "all": len(person["clauses"]),
    }


def approval(person: Trainee | dict) -> str:
    plan = person["plan"]
    if plan is None:
        return ""
    if plan["approved_on"] is None:
        return _("No approval by a committee is recorded for this version.")
    return _("Approved by %(who)s on %(day)s.") % {
        "who": plan["approved_by"] or _("the local committee"),
        "day": day(plan["approved_on"]),
    }


def clause_state(clause: Clause) -> str:
    """What the ruler means, in words."""
    if clause["state"] == "not_yet_known":
        if clause["min_n"]:
            return _("not yet known: needs %(least)s, has %(has)s") % {
                "least": clause["min_n"],
                "has": clause["denominator"] or 0,
            }
        return _("not yet known")
    if clause["state"] == "met":
        return _("met %(day)s") % {"day": day(clause["met_since"] or clause["first_met_on"] or "")}
    if clause["lost_on"]:
        because = clause["lost_because"]
        lost = _("lapsed %(day)s") % {"day": day(clause["lost_on"])}
        return f"{lost}: {LOST.get(because, because)}" if because else lost
    left = clause["bar"] - clause["numerator"]
    if (
        clause["unit"] in ("scan", "exam", "month")
        and clause["direction"] == "at_least"
        and left > 0
    ):
        return _("%(left)s to go") % {"left": left}
    return _("not met")


def clause_reached(clause: Clause) -> str:
    """When a count was reached, by performance and by signature; "" where it was not."""
    if clause["state"] != "met" or not clause["reached_with"]:
        return ""
    if clause["reached_signed_on"]:
        return _("reached with the scan of %(done)s, signed %(signed)s") % {
            "done": day(clause["reached_with"]),
            "signed": day(clause["reached_signed_on"]),
        }
    return _("reached with the scan of %(done)s") % {"done": day(clause["reached_with"])}


def clause_bar(clause: Clause) -> str:
    bar = percent(clause["bar"]) if clause["unit"] == "share" else str(clause["bar"])
    if clause["direction"] == "at_least":
        return pgettext("a threshold", "at least %(bar)s") % {"bar": bar}
    return pgettext("a threshold", "at most %(bar)s") % {"bar": bar}


def clause_value(clause: Clause) -> str:
    if clause["value"] is None:
        return "—"
    if clause["unit"] == "share":
        return _("%(share)s (%(n)s of %(of)s)") % {
            "share": percent(clause["value"], up=clause["direction"] == "at_most"),
            "n": clause["numerator"],
            "of": clause["denominator"],
        }
    return str(clause["value"])


def clause_mode(clause: Clause) -> str:
    return _("once") if clause["mode"] == "once" else _("must hold still")


def every_sentence(content: Content) -> list[str]:
    """How to read the numbers, in the order in which the page prints them."""
    out = [report(), met_on(), bound(), yardstick()]
    if content["scope"] == "cohort":
        out.insert(1, cohort(len(content["people"])))
    return out
