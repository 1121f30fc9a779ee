from logbook.models.captures import Capture, Fingerprint, FingerprintCode
from logbook.models.exams import (
    Exam,
    ExamRevision,
    Finding,
    RevisionAnswer,
    Scan,
    SupervisionConfirmation,
)
from logbook.models.programmes import Application, LogbookSettings, OwnValue
from logbook.models.scanners import ScannerCount
from logbook.models.uploads import Upload

__all__ = [
    "Application",
    "Capture",
    "Exam",
    "ExamRevision",
    "Finding",
    "Fingerprint",
    "FingerprintCode",
    "LogbookSettings",
    "OwnValue",
    "RevisionAnswer",
    "Scan",
    "ScannerCount",
    "SupervisionConfirmation",
    "Upload",
]
