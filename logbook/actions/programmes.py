"""What a programme chooses for its logbook. Later submissions follow; earlier ones keep theirs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from django.core.exceptions import ValidationError
from django.utils.text import slugify
from django.utils.translation import gettext as _

from accounts import ledger
from accounts.actions_base import action
from accounts.errors import Refused
from logbook import lung
from logbook.answers import PATTERN, SIDED
from logbook.models import Application, LogbookSettings, OwnValue
from logbook.value_lists import exam_lists

if TYPE_CHECKING:
    from accounts.models import Person, Programme

SETTINGS = (
    "scheme",
    "b_lines_per_zone",
    "positive_zones_per_side",
    "both_sides",
    "pleura_at_most_mm",
    "deep_at_least_mm",
    "close_returned_after_days",
    "keep_dicom",
)
LUNG_APPLICATIONS = (
    (lung.PNEUMOTHORAX, "Pneumothorax", SIDED, lung.ONE_ANTERIOR),
    (lung.CONSOLIDATION, "Consolidation", SIDED, lung.EVERY_ZONE),
    (lung.INTERSTITIAL, "Interstitial pattern", PATTERN, lung.INTERSTITIAL_ZONES),
    (lung.EFFUSION, "Effusion", SIDED, lung.BASES),
)


@action("logbook.opened")
def open_logbook(*, programme: Programme, by: Person | None, at: dt.datetime) -> LogbookSettings:
    """Default settings and the four lung applications. A second time changes nothing."""
    settings, made = LogbookSettings.objects.get_or_create(programme=programme)
    if not made:
        ledger.nothing_changed()
        return settings
    slot = ledger.reserve(programme.chain, at=at)
    Application.objects.bulk_create(
        Application(
            programme=programme,
            code=code,
            name=name,
            kind=kind,
            required_zones=rule,
            ordinal=ordinal,
        )
        for ordinal, (code, name, kind, rule) in enumerate(LUNG_APPLICATIONS, start=1)
    )
    slot.append(
        subject=f"programme:{programme.pk}",
        body={"settings": _values(settings), "applications": [row[0] for row in LUNG_APPLICATIONS]},
        by=by,
    )
    return settings


def lay_down(sender: object, *, programme: Programme, by: Person | None, at, **_rest) -> None:
    """A new programme begins with a logbook; called inside the action that makes it."""
    open_logbook(programme=programme, by=by, at=at)


@action("logbook.settings_changed")
def change_settings(
    *, programme: Programme, values: Mapping[str, Any], by: Person, at: dt.datetime
) -> LogbookSettings:
    """Raises ``django.core.exceptions.ValidationError`` with a message a field."""
    settings, _made = LogbookSettings.objects.select_for_update().get_or_create(programme=programme)
    before = _values(settings)
    for field in SETTINGS:
        setattr(settings, field, values.get(field, before[field]))
    if settings.scheme not in lung.schemes():
        raise ValidationError({"scheme": _("Choose one of the zone schemes.")})
    settings.full_clean()
    after = _values(settings)
    if after == before:
        ledger.nothing_changed()
        return settings
    slot = ledger.reserve(programme.chain, at=at)
    settings.save()
    changed = {
        field: [before[field], after[field]] for field in SETTINGS if before[field] != after[field]
    }
    slot.append(subject=f"programme:{programme.pk}", body={"changed": changed}, by=by)
    return settings


def _values(settings: LogbookSettings) -> dict[str, Any]:
    return {field: getattr(settings, field) for field in SETTINGS}


@action("application.changed")
def change_application(
    *,
    programme: Programme,
    code: str,
    name: str,
    kind: str = SIDED,
    required_zones: str = lung.EVERY_ZONE,
    retired: bool = False,
    by: Person,
    at: dt.datetime,
) -> Application:
    """Adds an application or changes one. Code and kind never change once they exist."""
    application = (
        Application.objects.select_for_update().filter(programme=programme, code=code).first()
    )
    if application is None:
        ordinal = Application.objects.of(programme).count() + 1
        application = Application(programme=programme, code=code, kind=kind, ordinal=ordinal)
    before = (application.name, application.required_zones, application.retired)
    after = (name.strip(), required_zones, retired)
    application.name, application.required_zones, application.retired = after
    application.full_clean()
    if before == after and not application._state.adding:
        ledger.nothing_changed()
        return application
    slot = ledger.reserve(programme.chain, at=at)
    application.save()
    slot.append(
        subject=f"application:{application.pk}",
        body={
            "code": code,
            "before": {"name": before[0]},
            "name": after[0],
            "required_zones": after[1],
            "retired": after[2],
        },
        by=by,
    )
    return application


@action("list_value.added")
def add_value(
    *, programme: Programme, list_code: str, text: str, by: Person, at: dt.datetime
) -> OwnValue:
    """Adds a programme's own value to an extendable list; a retired one comes back."""
    text, values = text.strip(), exam_lists().get(list_code)
    if values is None or not values.extendable:
        raise Refused(_("This list takes no values of your own."), code="closed_list")
    code = slugify(text).replace("-", "_")[:40]
    if not code or len(text) > 80:
        raise Refused(_("Write a name of 1 to 80 characters."), code="text")
    if code in values:
        raise Refused(_("This is on the list already."), code="on_list")
    own = (
        OwnValue.objects.select_for_update()
        .filter(programme=programme, list_code=list_code, code=code)
        .first()
    )
    if own is not None and not own.retired:
        raise Refused(_("This is on the list already."), code="on_list")
    slot = ledger.reserve(programme.chain, at=at)
    own = own or OwnValue(programme=programme, list_code=list_code, code=code)
    own.text, own.retired = text, False
    own.save()
    slot.append(
        subject=f"programme:{programme.pk}",
        body={"list": list_code, "code": code, "text": text},
        by=by,
    )
    return own


@action("list_value.retired")
def retire_value(*, value: OwnValue, by: Person, at: dt.datetime) -> OwnValue:
    """Takes a value off the list; exams that have it keep it."""
    value = OwnValue.objects.select_for_update().get(pk=value.pk)
    if value.retired:
        ledger.nothing_changed()
        return value
    slot = ledger.reserve(value.programme.chain, at=at)
    value.retired = True
    value.save(update_fields=["retired"])
    slot.append(
        subject=f"programme:{value.programme_id}",
        body={"list": value.list_code, "code": value.code},
        by=by,
    )
    return value
