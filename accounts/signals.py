"""News that upper floors may want at once; whoever misses it finds it in the ledger."""

from django.dispatch import Signal

# Sent inside the transaction, with programme=, by=, at=: each floor lays down its own settings.
programme_created = Signal()

# Sent inside the transaction, with membership=, by=, at=.
membership_begun = Signal()
