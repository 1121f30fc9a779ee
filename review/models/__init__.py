from review.models.assessments import Assessment
from review.models.attestations import (
    Attestation,
    CreditException,
    CreditRule,
    Discrepancy,
)
from review.models.readings import (
    Hold,
    Reading,
    ReadingDraft,
    ReadingFinding,
    ReturnRequest,
    RubricVersion,
    SetAside,
)

__all__ = [
    "Assessment",
    "Attestation",
    "CreditException",
    "CreditRule",
    "Discrepancy",
    "Hold",
    "Reading",
    "ReadingDraft",
    "ReadingFinding",
    "ReturnRequest",
    "RubricVersion",
    "SetAside",
]
