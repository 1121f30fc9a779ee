from datetime import datetime

from accounts import ledger
from accounts.actions_base import action
from accounts.models import Person, Token

SITE = "site"


@action("key.made")
def make(*, person: Person, name: str, by: Person, at: datetime) -> tuple[Token, str]:
    """A key for the API. It is returned once; only its digest is kept."""
    key, prefix, digest = Token.draw()
    slot = ledger.reserve(SITE, at=at)
    token = Token.objects.create(
        person=person, name=name, prefix=prefix, digest=digest, created_at=slot.at
    )
    slot.append(subject=f"key:{token.pk}", body={"person": str(person.pk), "prefix": prefix}, by=by)
    return token, key


@action("key.revoked")
def revoke(*, token: Token, by: Person, at: datetime) -> Token:
    token = Token.objects.select_for_update().get(pk=token.pk)
    if token.revoked_at is not None:
        ledger.nothing_changed()
        return token
    slot = ledger.reserve(SITE, at=at)
    token.revoked_at = slot.at
    token.save(update_fields=["revoked_at"])
    slot.append(subject=f"key:{token.pk}", body={"prefix": token.prefix}, by=by)
    return token
