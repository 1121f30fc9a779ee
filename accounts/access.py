"""Who may: one table of every address, one place that decides.

Each floor's access.py holds ACCESS, rows by URL name. An address without a row is shut for
everybody, and the guard that walks the addresses fails.
"""

import enum
import importlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache

from django.apps import apps
from django.utils.translation import gettext_lazy as _

from accounts.models import Membership, Person, Programme, Role


class P(enum.Enum):
    """Permissions. Roles are data made of them; nothing else grants one."""

    MEMBER = "belong to the programme"
    RECORD_EXAMS = "record exams"
    SEE_OWN = "see one's own record"
    READ_EXAMS = "read exams and sign"
    CONFIRM_SUPERVISION = "confirm that one supervised"
    SEE_COHORT = "see everybody's progress"
    SEE_ANY_EXAM = "open any exam"
    MANAGE_PEOPLE = "say who belongs"
    CHANGE_SETTINGS = "change the programme's settings"
    MANAGE_PLANS = "publish and assign plans"
    EXPORT_REPORTS = "export reports"
    ISSUE_REPORTS = "sign, issue and revoke reports, and keep the key"
    READ_QUALITY = "see the quality of readings"


@dataclass(frozen=True)
class RoleCard:
    """A role in plain words; shown on screen and in the docs."""

    label: str
    description: str
    permissions: frozenset[P]


_ANY = {P.MEMBER, P.SEE_OWN}
ROLES: dict[str, RoleCard] = {
    Role.TRAINEE: RoleCard(
        _("Trainee"),
        _("Records exams, sees their own record and standing."),
        frozenset(_ANY | {P.RECORD_EXAMS}),
    ),
    Role.FACULTY: RoleCard(
        _("Faculty"),
        _("Reads exams in the applications that are theirs to read, signs, confirms supervision."),
        frozenset(_ANY | {P.READ_EXAMS, P.CONFIRM_SUPERVISION}),
    ),
    Role.COORDINATOR: RoleCard(
        _("Coordinator"),
        _("Keeps people and dates, sees progress, signs nothing."),
        frozenset(_ANY | {P.SEE_COHORT, P.MANAGE_PEOPLE}),
    ),
    Role.DIRECTOR: RoleCard(
        _("Director"),
        _("Sees everything in the programme, sets plans and rules, exports reports."),
        frozenset(
            _ANY
            | {
                P.SEE_COHORT,
                P.SEE_ANY_EXAM,
                P.MANAGE_PEOPLE,
                P.CHANGE_SETTINGS,
                P.MANAGE_PLANS,
                P.EXPORT_REPORTS,
                P.ISSUE_REPORTS,
                P.READ_QUALITY,
                P.CONFIRM_SUPERVISION,
            }
        ),
    ),
}


class Opening(enum.Enum):
    """Rows that no programme's role decides."""

    ALL = "open to everybody"
    SIGNED_IN = "open to whoever is signed in"


SIGNED_IN = Opening.SIGNED_IN


@dataclass(frozen=True)
class Row:
    """What each method of an address asks; a method without an entry is refused with 405."""

    methods: Mapping[str, P | Opening | tuple[P, ...]]
    reason: str = ""
    log: str = ""


def row(*, log: str = "", **methods: P | Opening | tuple[P, ...]) -> Row:
    """`row(GET=P.SEE_OWN, POST=P.RECORD_EXAMS)`; `log` names the view in the access log.

    A value may be a tuple of permissions: any one of them opens.
    """
    if "GET" in methods:
        methods.setdefault("HEAD", methods["GET"])
    return Row(methods=methods, log=log)


def open_to_all(reason: str, *methods: str) -> Row:
    """An opening without sign-in, with the reason why."""
    if not reason:
        raise ValueError("an opening says why")
    verbs = methods or ("GET", "HEAD")
    return Row(methods=dict.fromkeys(verbs, Opening.ALL), reason=reason)


_SIGN_IN = ("GET", "HEAD", "POST")
ACCESS: dict[str, Row] = {
    "account_login": open_to_all("signing in", *_SIGN_IN),
    "account_logout": open_to_all("signing out", *_SIGN_IN),
    "account_signup": open_to_all("says that sign-up is closed", *_SIGN_IN),
    "account_inactive": open_to_all("says that an account is closed"),
    "account_reset_password": open_to_all("a forgotten password", *_SIGN_IN),
    "account_reset_password_done": open_to_all("a forgotten password"),
    "account_reset_password_from_key": open_to_all("a forgotten password", *_SIGN_IN),
    "account_reset_password_from_key_done": open_to_all("a forgotten password"),
    "account_change_password": row(GET=SIGNED_IN, POST=SIGNED_IN),
    "account_set_password": row(GET=SIGNED_IN, POST=SIGNED_IN),
    "account_reauthenticate": row(GET=SIGNED_IN, POST=SIGNED_IN),
    "mfa_authenticate": open_to_all("the second step of signing in", *_SIGN_IN),
    "mfa_index": row(GET=SIGNED_IN),
    "mfa_activate_totp": row(GET=SIGNED_IN, POST=SIGNED_IN),
    "mfa_deactivate_totp": row(GET=SIGNED_IN, POST=SIGNED_IN),
    "mfa_reauthenticate": row(GET=SIGNED_IN, POST=SIGNED_IN),
    "mfa_generate_recovery_codes": row(GET=SIGNED_IN, POST=SIGNED_IN),
    "mfa_view_recovery_codes": row(GET=SIGNED_IN),
    "mfa_download_recovery_codes": row(GET=SIGNED_IN),
    "accounts:door": row(GET=SIGNED_IN),
    "accounts:start": row(GET=P.MEMBER),
    "accounts:work_as": row(POST=P.MEMBER),
    "accounts:settings": row(GET=P.CHANGE_SETTINGS, POST=P.CHANGE_SETTINGS),
    "accounts:people": row(GET=P.MANAGE_PEOPLE),
    "accounts:person_new": row(GET=P.MANAGE_PEOPLE, POST=P.MANAGE_PEOPLE),
    "accounts:roster": row(GET=P.MANAGE_PEOPLE, POST=P.MANAGE_PEOPLE),
    "accounts:person": row(GET=P.MANAGE_PEOPLE, POST=P.MANAGE_PEOPLE),
    # The page itself asks for the grant: to everybody else it does not exist.
    "accounts:institution": row(GET=SIGNED_IN, POST=SIGNED_IN, log="institution"),
    "accounts:keys": row(GET=SIGNED_IN, POST=SIGNED_IN),
    "api_whoami": row(GET=SIGNED_IN),
}
# allauth's own addresses that this service does not use: shut, on purpose.
SHUT = {
    "account_email": "addresses are entered by the programme",
    "account_email_verification_sent": "addresses are entered by the programme",
    "account_confirm_email": "addresses are entered by the programme",
    "account_confirm_login_code": "sign-in by code is not offered",
    "account_request_login_code": "sign-in by code is not offered",
    "account_signup_by_passkey": "sign-up is closed",
}


@cache
def table() -> dict[str, Row]:
    """Every floor's rows together. Raises ValueError where two floors claim one address."""
    rows: dict[str, Row] = {}
    names = [config.name for config in apps.get_app_configs()]
    for name in [*names, "accounts"]:
        try:
            module = importlib.import_module(f"{name}.access")
        except ModuleNotFoundError as missing:
            if missing.name == f"{name}.access":
                continue
            raise
        for url_name, its_row in getattr(module, "ACCESS", {}).items():
            if url_name in rows and rows[url_name] is not its_row:
                raise ValueError(f"two rows for {url_name}")
            rows[url_name] = its_row
    return rows


@dataclass(frozen=True)
class Standing:
    """A person in a programme on a day."""

    programme: Programme
    memberships: tuple[Membership, ...]
    rights: frozenset[P]
    insider: bool

    @property
    def roles(self) -> tuple[str, ...]:
        held = {m.role for m in self.memberships}
        return tuple(role for role in ROLES if role in held)


def standing_of(person: Person, programme: Programme, *, on: date) -> Standing:
    """One query. Rights are the union of the day's memberships; who once belonged keeps
    their own record; a closed account has nothing."""
    if not person.is_active:
        return Standing(programme, (), frozenset(), insider=False)
    ever = [
        m
        for m in Membership.objects.filter(person=person, programme=programme)
        if m.starts_on <= on
    ]
    now = tuple(m for m in ever if m.ends_on is None or m.ends_on >= on)
    rights: set[P] = {P.SEE_OWN, P.MEMBER} if ever else set()
    for membership in now:
        rights |= ROLES[membership.role].permissions
    return Standing(programme, now, frozenset(rights), insider=bool(ever))


class Answer(enum.Enum):
    """What the one place that decides says."""

    YES = 200
    SIGN_IN = 302
    FORBIDDEN = 403
    NOT_FOUND = 404
    METHOD = 405


def decide(
    its_row: Row | None, method: str, *, signed_in: bool, standing: Standing | None
) -> Answer:
    """The only place that decides. `standing` is None for addresses outside any programme."""
    if its_row is None:
        return Answer.NOT_FOUND
    asked = its_row.methods.get(method)
    if asked is None:
        if method == "OPTIONS" or Opening.ALL in its_row.methods.values():
            return Answer.METHOD
        if not signed_in:
            return Answer.SIGN_IN
        return Answer.METHOD if standing is None or standing.insider else Answer.NOT_FOUND
    if asked is Opening.ALL:
        return Answer.YES
    if not signed_in:
        return Answer.SIGN_IN
    if standing is None:
        return Answer.YES if asked is Opening.SIGNED_IN else Answer.NOT_FOUND
    if not standing.insider:
        return Answer.NOT_FOUND
    if asked is Opening.SIGNED_IN:
        return Answer.YES
    wanted = asked if isinstance(asked, tuple) else (asked,)
    return Answer.YES if standing.rights & set(wanted) else Answer.FORBIDDEN
