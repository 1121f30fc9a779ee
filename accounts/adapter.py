"""allauth, closed: no sign-up, limits that are exact across processes, sign-ins written down."""

import hashlib
from datetime import timedelta

from allauth.account.adapter import DefaultAccountAdapter
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F
from django.utils import timezone
from django.utils.translation import gettext as _

from accounts.models import AccessLog, SignInBucket

LIMIT = 10
WINDOW = timedelta(minutes=15)


class TooManyAttempts(ValidationError):
    pass


def take_attempt(key: str, *, limit: int = LIMIT) -> bool:
    """Count an attempt before it is judged; False when the window's limit is used up.

    The bucket's row is locked, so parallel attempts never pass the limit together.
    """
    now = timezone.now()
    with transaction.atomic():
        SignInBucket.objects.get_or_create(key=key, defaults={"opened_at": now})
        bucket = SignInBucket.objects.select_for_update().get(key=key)
        if now - bucket.opened_at > WINDOW:
            bucket.attempts, bucket.opened_at = 0, now
        if bucket.attempts >= limit:
            return False
        bucket.attempts += 1
        bucket.save(update_fields=["attempts", "opened_at"])
        return True


def give_back(key: str) -> None:
    """An attempt that turned out to be none."""
    SignInBucket.objects.filter(key=key, attempts__gt=0).update(attempts=F("attempts") - 1)


def key_of(email: str) -> str:
    return hashlib.sha256(email.strip().lower().encode()).hexdigest()


class Adapter(DefaultAccountAdapter):
    def is_open_for_signup(self, request) -> bool:
        return False

    def pre_authenticate(self, request, **credentials) -> None:
        if (email := credentials.get("email")) and not take_attempt(key_of(email)):
            raise TooManyAttempts(
                _(
                    "Too many attempts with this address. Wait a quarter of an hour, or "
                    "set a new password."
                ),
                code="too_many_login_attempts",
            )

    def authenticate(self, request, **credentials):
        user = super().authenticate(request, **credentials)
        if user is not None and (email := credentials.get("email")):
            SignInBucket.objects.filter(key=key_of(email)).delete()
        return user

    def authentication_failed(self, request, **credentials) -> None:
        self._note(request, "sign_in.refused", None)

    def post_login(self, request, user, **kwargs):
        self._note(request, "signed_in", user)
        return super().post_login(request, user, **kwargs)

    def _note(self, request, what, user) -> None:
        AccessLog.objects.create(
            at=timezone.now(),
            person_id=user.pk if user else None,
            what=what,
            method=request.method or "",
            path=request.path[:300],
            address=request.META.get("REMOTE_ADDR") or None,
        )
