"""Who administers an institution, and the programmes they set up."""

from datetime import date, datetime

from django.db.models import Q
from django.urls import reverse
from django.utils.translation import gettext as _

from accounts import ledger, notices
from accounts.actions import people, programmes
from accounts.actions_base import action
from accounts.errors import Forbidden, Refused
from accounts.models import Institution, InstitutionAdministrator, Person, Programme, Role


def administers(person: Person, institution: Institution, *, on: date) -> bool:
    return (
        person.is_active
        and InstitutionAdministrator.objects.on(on)
        .filter(institution=institution, person=person)
        .exists()
    )


def check_administers(person: Person | None, institution: Institution, *, on: date) -> None:
    """`person` None is whoever runs the service, at its own console."""
    if person is not None and not administers(person, institution, on=on):
        raise Forbidden(_("Only an administrator of the institution may."), code="no_administrator")


@action("institution.founded")
def found(*, code: str, name: str, by: Person | None, at: datetime) -> Institution:
    """An institution before its first programme."""
    place = Institution(code=code, name=name)
    place.full_clean()
    place.save()
    slot = ledger.reserve(place.chain, at=at)
    slot.append(subject=f"institution:{place.pk}", body={"code": code, "name": name}, by=by)
    return place


@action("administrator.granted")
def grant(
    *,
    institution: Institution,
    email: str,
    name: str,
    on: date,
    by: Person | None,
    at: datetime,
) -> InstitutionAdministrator:
    """Let a person set up programmes from `on`. They read nothing in them. Granted twice is once.

    A new address makes a new person, who is told how to sign in.
    """
    institution = Institution.objects.select_for_update().get(pk=institution.pk)
    check_administers(by, institution, on=on)
    person = people.person_of(email=email, name=name)
    held = InstitutionAdministrator.objects.filter(
        Q(to_on=None) | Q(to_on__gte=on), institution=institution, person=person
    ).first()
    if held is not None:
        ledger.nothing_changed()
        return held
    slot = ledger.reserve(institution.chain, at=at)
    granted = InstitutionAdministrator.objects.create(
        institution=institution, person=person, from_on=on, recorded_at=slot.at
    )
    if not person.has_usable_password():
        notices.queue(
            kind="accounts.welcome",
            person=person,
            programme=None,
            dedup_key=f"welcome:{granted.pk}",
            due_at=at,
            context={"path": reverse("account_reset_password"), "name": institution.name},
        )
    slot.append(
        subject=f"person:{person.pk}",
        body={"administrator": str(granted.pk), "from_on": on.isoformat()},
        by=by,
    )
    return granted


@action("administrator.ended")
def end(
    *, administrator: InstitutionAdministrator, on: date, by: Person | None, at: datetime
) -> InstitutionAdministrator:
    """`on` is the last day. One administrator stays, or nobody could grant the next."""
    institution = Institution.objects.select_for_update().get(pk=administrator.institution_id)
    check_administers(by, institution, on=on)
    administrator = InstitutionAdministrator.objects.select_for_update(of=("self",)).get(
        pk=administrator.pk
    )
    if administrator.to_on is not None:
        ledger.nothing_changed()
        return administrator
    others = InstitutionAdministrator.objects.filter(
        institution=institution, to_on=None, from_on__lte=on, person__is_active=True
    ).exclude(pk=administrator.pk)
    if by is not None and not others.exists():
        raise Refused(
            _("This is the only administrator: grant another one first."), code="only_one"
        )
    slot = ledger.reserve(institution.chain, at=at)
    administrator.to_on, administrator.ended_by = on, by
    administrator.save(update_fields=["to_on", "ended_by"])
    slot.append(
        subject=f"person:{administrator.person_id}",
        body={"administrator": str(administrator.pk), "to_on": on.isoformat()},
        by=by,
    )
    return administrator


@action("programme.set_up")
def set_up(
    *,
    institution: Institution,
    code: str,
    name: str,
    time_zone: str,
    director_email: str,
    director_name: str,
    by: Person | None,
    at: datetime,
) -> Programme:
    """A programme of the institution with its first director; all of it or none."""
    check_administers(by, institution, on=at.date())
    programme = programmes.create(
        institution=institution.code,
        institution_name=institution.name,
        code=code,
        name=name,
        time_zone=time_zone,
        by=by,
        at=at,
    )
    director = people.add(
        programme=programme,
        email=director_email,
        name=director_name,
        role=Role.DIRECTOR,
        starts_on=programme.local_date(at),
        by=by,
        at=at,
    )
    slot = ledger.reserve(programme.chain, at=at)
    slot.append(
        subject=f"programme:{programme.pk}",
        body={"institution": str(institution.pk), "director": str(director.person_id)},
        by=by,
    )
    return programme
