"""The append-only, hash-chained record of everything that happened.

Knows nobody: plain ids, its own tables, no import from the rest of the house.
`from accounts import ledger; slot = ledger.reserve(chain, at=at); ...; slot.append(...)`.
"""

_API = {"Entry", "Slot", "head_of", "nothing_changed", "read", "redact", "reserve"}


def __getattr__(name: str):
    # An app's package is imported before its models may be.
    if name in _API:
        from accounts.ledger import core

        return getattr(core, name)
    raise AttributeError(name)
