"""Reads that screens and jobs share."""

from datetime import date

from django.db.models import Prefetch

from accounts.models import Membership, Person, PersonEvent, Privilege, Programme


def people_of(programme: Programme) -> list[Membership]:
    """Every membership of a programme, with its person and open privileges; two queries."""
    return list(
        programme.memberships.select_related("person")
        .prefetch_related(
            Prefetch(
                "person__privileges",
                Privilege.objects.filter(programme=programme, to_on=None).order_by("application"),
                to_attr="open_privileges",
            )
        )
        .order_by("role", "person__name", "starts_on", "id")
    )


def active(programme: Programme, role: str, *, on: date) -> list[Person]:
    """The people who hold a role on a day, by name."""
    return [
        m.person
        for m in programme.memberships.on(on)
        .filter(role=role)
        .select_related("person")
        .order_by("person__name", "person_id")
    ]


def on_file(programme: Programme, person: Person) -> dict[str, str]:
    """How the programme calls a person at present: name, legal name, staff number."""
    newest = PersonEvent.objects.filter(programme=programme, person=person).newest()
    if person.pk in newest:
        return newest[person.pk].said
    return {"name": person.name, "legal_name": "", "staff_number": person.staff_number}
