"""For whom a plan is, and who moves to it. Reads only."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from django.db.models import Q

from accounts.models import Membership, Programme, Role
from credentialing.models import BY_CHOICE, EVERYONE, in_cohort

if TYPE_CHECKING:
    from credentialing.drafting import Terms
    from credentialing.models import PlanVersion


def members(programme: Programme, terms: Terms | PlanVersion, *, on: dt.date) -> list[Membership]:
    """Everybody of the cohort who is a trainee on the day or later; by name. One query."""
    rows = (
        Membership.objects.filter(programme=programme, role=Role.TRAINEE)
        .filter(Q(ends_on=None) | Q(ends_on__gte=on))
        .select_related("person")
        .order_by("person__name", "id")
    )
    return [row for row in rows if in_cohort(row, terms)]


def moves(membership: Membership, terms: Terms | PlanVersion, *, from_on: dt.date) -> bool:
    """Whether the decision itself moves them; a choice of their own is recorded apart."""
    if terms.moves == EVERYONE:
        return True
    if terms.moves == BY_CHOICE:
        return terms.grandfather_on is not None and membership.starts_on >= terms.grandfather_on
    return membership.starts_on >= from_on
