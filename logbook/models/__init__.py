from logbook.models.captures import Capture
from logbook.models.exams import (
    Exam,
    ExamRevision,
    Finding,
    RevisionAnswer,
    Scan,
    SupervisionConfirmation,
)
from logbook.models.programmes import Application, LogbookSettings, OwnValue
from logbook.models.uploads import Upload

__all__ = [
    "Application",
    "Capture",
    "Exam",
    "ExamRevision",
    "Finding",
    "LogbookSettings",
    "OwnValue",
    "RevisionAnswer",
    "Scan",
    "SupervisionConfirmation",
    "Upload",
]
