"""What this floor measures, one module a benchmark."""

from logbook.benches import intake, upload

__all__ = ["intake", "upload"]
