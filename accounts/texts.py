"""The words of this floor's notices."""

from django.conf import settings
from django.utils.translation import gettext as _

from accounts import notices


def address(path: str) -> str:
    """A full address for a mail: from the settings, never from a request's host header."""
    return settings.PUBLIC_URL.rstrip("/") + path


def welcome(notice, context) -> tuple[str, str]:
    programme = notice.programme.name if notice.programme else context.get("name", "")
    return (
        _("You now belong to %(programme)s") % {"programme": programme},
        _(
            "Hello %(name)s,\n\n%(programme)s has added you. Set a password here, with this "
            "e-mail address:\n%(url)s\n\nThis is an education record, not the patient's chart."
        )
        % {"name": notice.person.name, "programme": programme, "url": address(context["path"])},
    )


notices.register("accounts.welcome", welcome)
