"""Who belongs to a programme, since when, and what faculty may read."""

from datetime import date, datetime

from django.db.models import Q
from django.urls import reverse
from django.utils.translation import gettext as _

from accounts import ledger, notices
from accounts.actions_base import action
from accounts.errors import Forbidden, Refused
from accounts.fields import uuid7
from accounts.models import (
    InstitutionAdministrator,
    Membership,
    MembershipEvent,
    Person,
    PersonEvent,
    Privilege,
    Programme,
    Role,
)
from accounts.signals import membership_begun

Kind = MembershipEvent.Kind


@action("membership.begun")
def add(
    *,
    programme: Programme,
    email: str,
    name: str,
    role: str,
    starts_on: date,
    ends_on: date | None = None,
    profession: str = "",
    level: str = "",
    staff_number: str = "",
    legal_name: str = "",
    by: Person | None,
    at: datetime,
    invite: bool = True,
) -> Membership:
    """Let a person belong. A new address makes a new person, who is told how to sign in.

    Raises Refused where the dates are the wrong way round or overlap the same role.
    """
    check_may_add(programme, role, by, on=programme.local_date(at))
    person = person_of(email=email, name=name, staff_number=staff_number)
    check_dates(starts_on, ends_on)
    check_no_overlap(programme, person, role, starts_on, ends_on)
    membership = Membership(
        id=uuid7(),
        programme=programme,
        person=person,
        role=role,
        profession=profession,
        level=level,
        starts_on=starts_on,
        ends_on=ends_on,
    )
    membership.save()
    given = {"legal_name": legal_name.strip(), "staff_number": staff_number.strip()}
    said = {name: text for name, text in given.items() if text}
    _record(membership, Kind.BEGUN, effective_on=starts_on, by=by, at=at, said_of_person=said)
    membership_begun.send(Membership, membership=membership, by=by, at=at)
    if invite and not person.has_usable_password():
        notices.queue(
            kind="accounts.welcome",
            person=person,
            programme=programme,
            dedup_key=f"welcome:{membership.pk}",
            due_at=at,
            context={"path": reverse("account_reset_password")},
        )
    return membership


@action("membership.changed")
def change(
    *,
    membership: Membership,
    role: str | None = None,
    profession: str | None = None,
    level: str | None = None,
    starts_on: date | None = None,
    effective_on: date,
    by: Person | None,
    at: datetime,
) -> Membership:
    """Profession, level or first day. Another role is another membership."""
    membership = _locked(membership)
    if role is not None and role != membership.role:
        raise Refused(_("Another role is a membership of its own: add it."), field="role")
    wanted = {
        name: value
        for name, value in (("profession", profession), ("level", level), ("starts_on", starts_on))
        if value is not None and value != getattr(membership, name)
    }
    if not wanted:
        ledger.nothing_changed()
        return membership
    for name, value in wanted.items():
        setattr(membership, name, value)
    check_dates(membership.starts_on, membership.ends_on)
    check_no_overlap(
        membership.programme,
        membership.person,
        membership.role,
        membership.starts_on,
        membership.ends_on,
        but=membership,
    )
    membership.save(update_fields=list(wanted))
    _record(membership, Kind.CHANGED, effective_on=effective_on, by=by, at=at)
    return membership


@action("membership.ended")
def end(
    *, membership: Membership, ends_on: date | None, by: Person | None, at: datetime
) -> Membership:
    """The last day; None opens it again. What was recorded stays, and stays the person's own."""
    membership = _locked(membership)
    check_dates(membership.starts_on, ends_on)
    if membership.ends_on == ends_on:
        ledger.nothing_changed()
        return membership
    check_no_overlap(
        membership.programme,
        membership.person,
        membership.role,
        membership.starts_on,
        ends_on,
        but=membership,
    )
    membership.ends_on = ends_on
    membership.save(update_fields=["ends_on"])
    if ends_on is None:
        today = membership.programme.local_date(at)
        _record(membership, Kind.CHANGED, effective_on=today, by=by, at=at)
    else:
        _record(membership, Kind.ENDED, effective_on=ends_on, by=by, at=at)
    return membership


@action("person.described")
def describe(
    *,
    programme: Programme,
    person: Person,
    name: str,
    legal_name: str,
    staff_number: str,
    by: Person | None,
    at: datetime,
) -> PersonEvent | None:
    """How the programme calls a person from now on: on screens, and on reports made from the
    record as it is from this position of the ledger on. Earlier reports keep what they said.

    Raises Refused without a name or where the person does not belong to the programme.
    """
    if not Membership.objects.filter(programme=programme, person=person).exists():
        raise Refused(_("This person does not belong to the programme."))
    if not name.strip():
        raise Refused(_("Give the name."), field="name")
    said = {
        "name": name.strip(),
        "legal_name": legal_name.strip(),
        "staff_number": staff_number.strip(),
    }
    person = Person.objects.select_for_update().get(pk=person.pk)
    last = _last_said(programme, person)
    if last is not None and last.said == said:
        ledger.nothing_changed()
        return last
    person.name, person.staff_number = said["name"], said["staff_number"]
    person.full_clean(exclude=["password"])
    person.save(update_fields=["name", "staff_number"])
    slot = ledger.reserve(programme.chain, at=at)
    event = _write_said(programme, person, said, slot, by=by)
    slot.append(subject=f"person:{person.pk}", body=said, by=by)
    return event


@action("privilege.granted")
def grant(
    *,
    programme: Programme,
    person: Person,
    application: str,
    from_on: date,
    by: Person | None,
    at: datetime,
) -> Privilege:
    """Let a faculty member read scans of one application from a day on."""
    held = Privilege.objects.filter(
        programme=programme, person=person, application=application, to_on=None
    ).first()
    if held is not None:
        ledger.nothing_changed()
        return held
    if not Membership.objects.filter(
        programme=programme, person=person, role=Role.FACULTY
    ).exists():
        raise Refused(_("Only faculty of the programme can hold a privilege to read."))
    slot = ledger.reserve(programme.chain, at=at)
    privilege = Privilege.objects.create(
        programme=programme,
        person=person,
        application=application,
        from_on=from_on,
        recorded_at=slot.at,
        recorded_by=by,
    )
    slot.append(
        subject=f"person:{person.pk}",
        body={"application": application, "from_on": from_on.isoformat()},
        by=by,
    )
    return privilege


@action("privilege.ended")
def end_privilege(
    *, privilege: Privilege, to_on: date, by: Person | None, at: datetime
) -> Privilege:
    privilege = Privilege.objects.select_for_update(of=("self",)).get(pk=privilege.pk)
    if privilege.to_on is not None:
        ledger.nothing_changed()
        return privilege
    slot = ledger.reserve(privilege.programme.chain, at=at)
    privilege.to_on, privilege.ended_at, privilege.ended_by = to_on, slot.at, by
    privilege.save(update_fields=["to_on", "ended_at", "ended_by"])
    slot.append(
        subject=f"person:{privilege.person_id}",
        body={"application": privilege.application, "to_on": to_on.isoformat()},
        by=by,
    )
    return privilege


def person_of(*, email: str, name: str, staff_number: str = "") -> Person:
    """Whoever has that address; else a new person, who cannot sign in before setting a password."""
    email = email.strip()
    person = Person.objects.filter(email__iexact=email).first()
    if person is None:
        person = Person(email=email.lower(), name=name.strip(), staff_number=staff_number.strip())
        person.set_unusable_password()
        person.full_clean(exclude=["password"])
        person.save()
    return person


def check_may_add(programme: Programme, role: str, by: Person | None, *, on: date) -> None:
    """Who keeps people does not make directors: a director does, or whoever set the programme up
    while it has none."""
    if role != Role.DIRECTOR or by is None:
        return
    directors = Membership.objects.on(on).filter(programme=programme, role=Role.DIRECTOR)
    if directors.filter(person=by).exists():
        return
    administers = InstitutionAdministrator.objects.on(on).filter(
        institution=programme.institution_id, person=by
    )
    if directors.exists() or not administers.exists():
        raise Forbidden(_("Only a director adds a director."), code="not_director")


def check_dates(starts_on: date, ends_on: date | None) -> None:
    if ends_on is not None and ends_on < starts_on:
        raise Refused(_("The last day lies before the first."), field="ends_on")


def check_no_overlap(
    programme, person, role, starts_on, ends_on, *, but: Membership | None = None
) -> None:
    """The database refuses an overlap too; this one says it in words."""
    others = Membership.objects.filter(programme=programme, person=person, role=role).filter(
        Q(ends_on=None) | Q(ends_on__gte=starts_on)
    )
    if ends_on is not None:
        others = others.filter(starts_on__lte=ends_on)
    if but is not None:
        others = others.exclude(pk=but.pk)
    if other := others.first():
        raise Refused(
            _("%(name)s already has this role from %(day)s.")
            % {"name": person.name, "day": other.starts_on.isoformat()},
            field="starts_on",
        )


def _locked(membership: Membership) -> Membership:
    return (
        Membership.objects.select_for_update(of=("self",))
        .select_related("programme", "person")
        .get(pk=membership.pk)
    )


def _last_said(programme, person) -> PersonEvent | None:
    rows = PersonEvent.objects.filter(programme=programme, person=person)
    return rows.order_by("-seq").first()


def _write_said(programme, person, said, slot, *, by) -> PersonEvent:
    return PersonEvent.objects.create(
        programme=programme,
        person=person,
        **said,
        effective_on=programme.local_date(slot.at),
        recorded_at=slot.at,
        recorded_by=by,
        seq=slot.seq,
    )


def _record(membership, kind, *, effective_on, by, at, said_of_person=None) -> None:
    """`said_of_person`: what is new of the person; a first membership puts them on file."""
    programme, person = membership.programme, membership.person
    slot = ledger.reserve(programme.chain, at=at)
    calls = {}
    if said_of_person is not None:
        last = _last_said(programme, person)
        known = last.said if last else {"name": person.name, "staff_number": person.staff_number}
        calls = {"legal_name": "", **known, **said_of_person}
        if last is None or last.said != calls:
            _write_said(programme, person, calls, slot, by=by)
    said = {
        "role": membership.role,
        "profession": membership.profession,
        "level": membership.level,
        "starts_on": membership.starts_on,
        "ends_on": membership.ends_on,
    }
    MembershipEvent.objects.create(
        programme=membership.programme,
        membership=membership.pk,
        person=membership.person,
        kind=kind,
        effective_on=effective_on,
        recorded_at=slot.at,
        recorded_by=by,
        seq=slot.seq,
        **said,
    )
    slot.append(
        subject=f"membership:{membership.pk}",
        body={
            "person": str(membership.person_id),
            **{k: v.isoformat() if isinstance(v, date) else v for k, v in said.items()},
            "effective_on": effective_on.isoformat(),
            **calls,
        },
        by=by,
    )
