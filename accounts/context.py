"""What the page's frame shows: programme, menu, person."""

from django.urls import NoReverseMatch, reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from accounts import access, navigation
from accounts.access import P
from accounts.models import Programme

ROLE_IN_SESSION = "work_as"


def role_of(request) -> str:
    """The role that the person works as here: their choice, else the first that they hold."""
    roles = request.standing.roles if request.standing else ()
    chosen = request.session.get(ROLE_IN_SESSION, {}).get(request.programme.code)
    return chosen if chosen in roles else (roles[0] if roles else "")


def shell(request) -> dict:
    """`shell` for ui/header.html. A page inside a programme costs one more query."""
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated:
        return {"shell": {}}
    frame = {
        "person": user,
        "sign_out_url": reverse("account_logout"),
        "own": [
            {"label": _("Password"), "url": reverse("account_change_password")},
            {"label": _("Keys for the API"), "url": reverse("accounts:keys")},
        ],
    }
    programme, standing = getattr(request, "programme", None), getattr(request, "standing", None)
    if programme is not None and standing is not None:
        role = role_of(request)
        today = programme.local_date(timezone.now())
        here = request.resolver_match.view_name if request.resolver_match else ""
        frame |= {
            "programme": programme,
            "programmes": [
                {
                    "name": p.name,
                    "institution": p.institution.name,
                    "url": reverse("accounts:start", args=[p.code]),
                    "current": p == programme,
                }
                for p in Programme.objects.of(user, on=today)
                .select_related("institution")
                .order_by("name")
            ],
            "home_url": reverse("accounts:start", args=[programme.code]),
            "role": access.ROLES[role].label if role else "",
            "roles": [
                {
                    "label": access.ROLES[name].label,
                    "current": name == role,
                    "url": reverse("accounts:work_as", args=[programme.code]),
                    "post": {"role": name},
                }
                for name in standing.roles
            ],
            "menu": [
                {
                    "label": item.label,
                    "url": url,
                    "current": item.url_name == here,
                }
                for item in navigation.ITEMS
                if P[item.permission] in standing.rights
                and (not item.roles or role in item.roles)
                and (url := _url(item.url_name, programme))
            ],
        }
        if P.CHANGE_SETTINGS in standing.rights:
            pages = [
                {
                    "label": item.label,
                    "url": _url(item.url_name, programme),
                    "current": item.url_name == here,
                }
                for item in navigation.SETTINGS
            ]
            return {"shell": frame, "settings_pages": pages}
    return {"shell": frame}


def _url(name: str, programme) -> str:
    try:
        return reverse(name, args=[programme.code])
    except NoReverseMatch:
        return reverse(name)
