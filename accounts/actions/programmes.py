from datetime import date, datetime
from zoneinfo import available_timezones

from django.utils.translation import gettext as _

from accounts import ledger
from accounts.actions_base import action
from accounts.errors import Refused
from accounts.models import Institution, Person, Programme, ZoneChange
from accounts.signals import programme_created

SETTINGS = ("name", "duty_telephone")


@action("programme.created")
def create(
    *,
    institution: str,
    institution_name: str,
    code: str,
    name: str,
    time_zone: str,
    duty_telephone: str = "",
    by: Person | None,
    at: datetime,
) -> Programme:
    """A programme with each floor's default settings. Makes the institution where it is new.

    Raises Refused where the code is taken or the time zone unknown.
    """
    check_zone(time_zone)
    if Programme.objects.filter(code=code).exists():
        raise Refused(_("A programme is already called “%(code)s”.") % {"code": code}, field="code")
    place, _made = Institution.objects.get_or_create(
        code=institution, defaults={"name": institution_name}
    )
    programme = Programme(
        institution=place,
        code=code,
        name=name,
        time_zone=time_zone,
        duty_telephone=duty_telephone,
        created_at=at,
    )
    programme.full_clean()
    programme.save()
    slot = ledger.reserve(programme.chain, at=at)
    slot.append(
        subject=f"programme:{programme.pk}",
        body={
            "institution": str(place.pk),
            "code": code,
            "name": name,
            "time_zone": time_zone,
            "duty_telephone": duty_telephone,
        },
        by=by,
    )
    programme_created.send(Programme, programme=programme, by=by, at=slot.at)
    return programme


@action("programme.changed")
def change(*, programme: Programme, changes: dict[str, str], by: Person | None, at: datetime):
    """Name and duty telephone. An equal value writes nothing."""
    programme = Programme.objects.select_for_update().get(pk=programme.pk)
    unknown = changes.keys() - set(SETTINGS)
    if unknown:
        raise ValueError(f"not settings of a programme: {', '.join(sorted(unknown))}")
    before = {k: getattr(programme, k) for k in changes if getattr(programme, k) != changes[k]}
    if not before:
        ledger.nothing_changed()
        return programme
    if "name" in before and not changes["name"].strip():
        raise Refused(_("Give the programme a name."), field="name")
    for name in before:
        setattr(programme, name, changes[name].strip())
    programme.save(update_fields=list(before))
    slot = ledger.reserve(programme.chain, at=at)
    slot.append(
        subject=f"programme:{programme.pk}",
        body={"before": before, "after": {k: changes[k].strip() for k in before}},
        by=by,
    )
    return programme


@action("programme.zone_changed")
def change_zone(
    *, programme: Programme, time_zone: str, from_on: date, by: Person | None, at: datetime
) -> ZoneChange:
    """From a day not before today the programme's days are counted in another zone."""
    check_zone(time_zone)
    if from_on < programme.local_date(at):
        raise Refused(
            _("A time zone changes from today on at the earliest: days already counted stay."),
            field="from_on",
        )
    slot = ledger.reserve(programme.chain, at=at)
    change = ZoneChange.objects.create(
        programme=programme,
        time_zone=time_zone,
        from_on=from_on,
        recorded_at=slot.at,
        seq=slot.seq,
    )
    slot.append(
        subject=f"programme:{programme.pk}",
        body={"time_zone": time_zone, "from_on": from_on.isoformat()},
        by=by,
    )
    programme.__dict__.pop("_zones", None)
    return change


def check_zone(time_zone: str) -> None:
    if time_zone not in available_timezones():
        raise Refused(
            _("“%(zone)s” is not a time zone. Use a name like Europe/Berlin.")
            % {"zone": time_zone},
            field="time_zone",
        )
