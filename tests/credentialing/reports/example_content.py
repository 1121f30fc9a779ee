"""An invented content by hand, small enough to add up on fingers where a test needs to."""

from __future__ import annotations

from credentialing.reports.content import Content


def clause(ordinal, text, **changes):
    base = {
        "ordinal": ordinal, "gate": "Numbers", "text": text, "measure": "credited",
        "application": "", "unit": "exam", "direction": "at_least", "bar": 25, "numerator": 18,
        "denominator": None, "value": 18, "min_n": None, "lower": None, "upper": None,
        "mode": "once", "state": "not_met", "first_met_on": None, "met_since": None,
        "lost_on": None, "lost_because": "", "reached_with": None, "reached_signed_on": None,
        "source": "",
    }  # fmt: skip
    return base | changes


def trainee(name="Ida Marlow", n_scans=60, **changes):
    scans = []
    for index in range(n_scans):
        in_read = index % 9 != 4
        scans.append(
            {
                "exam_code": f"K{index // 23 + 2}-{'ABCDEFGHJKMNPQRSTUVWXYZ'[index % 23]}QX",
                "performed_on": f"2026-{1 + index // 12:02d}-{1 + index % 28:02d}",
                "signed_on": f"2026-{2 + index // 12:02d}-{1 + index % 28:02d}",
                "application": ("pneumothorax", "interstitial")[index % 2],
                "trainee_answer": ("R+ L-", "diffuse")[index % 2],
                "reader_answer": ("R+ L-", "diffuse", "R- L-", "focal R")[index % 4],
                "quality": None if index % 17 == 3 else 1 + index % 5,
                "credited": index % 7 != 6,
                "credit_reasons": "" if index % 7 != 6 else "quality under 3",
                "in_read": in_read,
                "not_in_read_because": "" if in_read else "knew",
                "supervision": "direct",
                "reader": "Dr Tamsin Orre",
            }
        )
    read = [scan for scan in scans if scan["in_read"]]

    def accuracy(code, name):
        mine = [scan for scan in read if scan["application"] == code]
        agree = sum(scan["trainee_answer"] == scan["reader_answer"] for scan in mine)
        other = "negative" if code == "pneumothorax" else "focal"
        return {
            "application": code, "name": name, "read": len(mine), "pairs": len(mine),
            "agree": agree,
            "lower": 0.31 if mine else None, "upper": 0.67 if mine else None,
            "determinate": len(mine), "positive": agree, "always_negative": len(mine) - agree,
            "always_positive": agree, "adequate": sum((s["quality"] or 0) >= 3 for s in mine),
            "quality": [sum(s["quality"] == q for s in mine) for q in range(1, 6)],
            "table": [("positive", "positive", agree), ("positive", other, len(mine) - agree)],
        }  # fmt: skip

    credited = [scan for scan in scans if scan["credited"]]
    base = {
        "id": f"id-{name}", "name": name, "legal_name": "",
        "staff_number": "40117", "profession": "physician",
        "level": "year 2", "starts_on": "2025-07-01", "ends_on": "2028-06-30",
        "plan": {
            "code": "lung", "name": "Lung, local plan", "version": 3, "approved_on": "2025-06-12",
            "approved_by": "the ultrasound committee",
            "sources": "Total: cites a published policy. Minima: local, no published figure.",
        },
        "state": "not_met", "met_on": None,
        "clauses": [
            clause(1, "Credited lung exams"),
            clause(2, "Pneumothorax scans", application="pneumothorax", unit="scan", bar=10,
                   numerator=14, value=14, state="met", first_met_on="2026-03-03",
                   met_since="2026-05-05", reached_with="2026-03-03",
                   reached_signed_on="2026-05-05",
                   source="local, no published figure"),
            clause(3, "Agreement with a blind reader", gate="Accuracy", measure="agreement",
                   unit="share", bar=0.8, numerator=33, denominator=40, value=0.825, lower=0.6805,
                   upper=0.9125, min_n=25, mode="still", state="met", first_met_on="2026-04-01",
                   met_since="2026-04-01"),
            clause(4, "Agreement, effusion", gate="Accuracy", measure="agreement", unit="share",
                   bar=0.8, numerator=6, denominator=9, value=None, min_n=25, mode="still",
                   state="not_yet_known"),
            clause(5, "Exams in the last 12 months", gate="Staying current", mode="still", bar=20,
                   numerator=12, value=12, lost_on="2026-05-20", lost_because="recency"),
        ],
        "credited_scans": len(credited),
        "credited_exams": len({scan["exam_code"] for scan in credited}),
        "waiting_unread": 4, "waiting_returned": 1,
        "accuracy": [accuracy("pneumothorax", "Pneumothorax"),
                     accuracy("interstitial", "Interstitial pattern")],
        "beside": {"drafts_old": 2, "withdrawn": 1, "returned": 1, "closed": 0, "set_aside": 3,
                   "late": 5, "not_independent": 6, "corrected": 7},
        "scans": scans,
    }  # fmt: skip
    return base | changes


def content(*people, scope="trainee", **changes) -> Content:
    people = people or (trainee(),)
    if scope == "cohort":
        people = tuple({k: v for k, v in one.items() if k != "scans"} for one in people)
    base = {
        "schema": 2, "template": 2, "release": "0.1.0", "language": "en", "scope": scope,
        "issued": False, "institution": "Harrowmere General", "programme": "Emergency medicine",
        "programme_code": "em",
        "as_of": {"performed_by": "2026-06-30", "read_by": "2026-06-30", "position": 4117,
                  "position_hash": "ab" * 32, "zone": "Europe/Dublin"},
        "copy": "inside",
        "sheet": {"n": 0, "heading": "", "contact": "", "reviewed": "", "paper": "a4"},
        "recommendation": None, "people": list(people),
    }  # fmt: skip
    return base | changes
