"""News of this floor that an upper one may want at once.

Whoever misses it finds the same in the ledger past its cursor: a signal is only a nudge.
"""

from django.dispatch import Signal

# Sent after the commit, with programme_id=, trainee_ids= (a set) and seq= (the newest position).
attested = Signal()
