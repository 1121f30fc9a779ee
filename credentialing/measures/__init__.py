"""What every number means: a plan, a history and a day give a standing. Pure, no Django.

    judge(plan, history, as_of=AsOf(d, d2, n)) -> Standing
    behind(clause, history, as_of=...) -> the scans that add up to a number

Two sets. C: scans whose current attestation says credited; it feeds the volumes. R: attested
scans, credited or not, whose first reading was independent; it feeds accuracy and quality.
"""

from credentialing.measures.facts import AsOf, Confirmation, Fact, History, Waiting
from credentialing.measures.judging import (
    COUNTED,
    MET,
    NOT_MET,
    NOT_YET_KNOWN,
    OF_THE_REST,
    OVER_THE_CAP,
    Behind,
    ClauseStanding,
    Dates,
    GateStanding,
    Standing,
    behind,
    judge,
)
from credentialing.measures.plans import (
    ALL,
    ANY,
    AT_LEAST,
    AT_MOST,
    EXAM,
    MEASURES,
    ONCE,
    SCAN,
    STILL,
    Clause,
    Gate,
    Plan,
)
from credentialing.measures.tallies import Value

__all__ = [
    "ALL",
    "ANY",
    "AT_LEAST",
    "AT_MOST",
    "COUNTED",
    "EXAM",
    "MEASURES",
    "MET",
    "NOT_MET",
    "NOT_YET_KNOWN",
    "OF_THE_REST",
    "ONCE",
    "OVER_THE_CAP",
    "SCAN",
    "STILL",
    "AsOf",
    "Behind",
    "Clause",
    "ClauseStanding",
    "Confirmation",
    "Dates",
    "Fact",
    "Gate",
    "GateStanding",
    "History",
    "Plan",
    "Standing",
    "Value",
    "Waiting",
    "behind",
    "judge",
]
