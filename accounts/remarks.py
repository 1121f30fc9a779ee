"""Free text: looked at for identifiers, then kept where it can be erased."""

import hashlib
import secrets
from datetime import datetime

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts import identifiers, ledger
from accounts.actions_base import action
from accounts.errors import Refused
from accounts.models import Person, Programme, Remark

LONGEST = 2000
KINDS = {
    "an e-mail address": gettext_lazy("an e-mail address"),
    "a date": gettext_lazy("a date"),
    "a record number": gettext_lazy("a record number"),
    "a long number": gettext_lazy("a long number"),
    "a date of birth": gettext_lazy("a date of birth"),
    "a name": gettext_lazy("a name"),
}


def check(text: str, *, field: str | None = None) -> None:
    """Raises Refused where the text is too long or may say who the patient is."""
    if len(text) > LONGEST:
        raise Refused(
            _("Keep this under %(n)s characters.") % {"n": LONGEST}, code="too_long", field=field
        )
    if hits := identifiers.find(text):
        raise Refused(
            _(
                "“%(found)s” looks like %(kind)s. Take out what could say who the patient is; "
                "the exam code is enough to find them."
            )
            % {"found": text[hits[0].start : hits[0].end], "kind": KINDS[hits[0].kind]},
            code="identifier",
            field=field,
        )


def digest_of(salt: str, text: str) -> str:
    return hashlib.sha256(bytes.fromhex(salt) + text.encode()).hexdigest()


def write(*, programme: Programme, text: str, by: Person | None, at: datetime) -> Remark | None:
    """Keep a remark inside the caller's action, whose entry names its id and digest."""
    text = text.replace("\x00", "").strip()
    if not text:
        return None
    check(text)
    salt = secrets.token_bytes(32).hex()
    return Remark.objects.create(
        programme=programme,
        text=text,
        salt=salt,
        digest=digest_of(salt, text),
        written_at=at,
        written_by=by,
    )


@action("remark.erased")
def erase(*, remark: Remark, why: str, by: Person, at: datetime) -> Remark:
    """Take the words away for good. The digest stays, so what named it stays true."""
    remark = Remark.objects.select_for_update(of=("self",)).get(pk=remark.pk)
    if remark.erased_at:
        ledger.nothing_changed()
        return remark
    slot = ledger.reserve(remark.programme.chain, at=at)
    remark.text = remark.salt = None
    remark.erased_at, remark.erased_by, remark.erased_why = slot.at, by, why
    remark.save(update_fields=["text", "salt", "erased_at", "erased_by", "erased_why"])
    slot.append(subject=f"remark:{remark.pk}", body={"why": why, "digest": remark.digest}, by=by)
    return remark
