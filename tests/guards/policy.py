"""Who may do what, by hand. Read beside a change of the access table, not generated from it.

`ada` stands for a trainee with their own object, `tom` and `ida` for fellow trainees.
"""

TRAINEES = frozenset({"ada", "tom", "ida"})
OWNER = frozenset({"ada"})
FACULTY = frozenset({"bo"})
COORDINATOR = frozenset({"cai"})
DIRECTOR = frozenset({"dora"})
OFFICE = COORDINATOR | DIRECTOR
INSIDE = TRAINEES | FACULTY | OFFICE
ANYBODY = INSIDE | {"eve", "finn", "gil", "hana"}

# Open without sign-in; asked elsewhere (health, sign-in, documents).
OPEN = {
    "healthz",
    "readyz",
    "ui:gallery",
    "account_login",
    "account_logout",
    "account_signup",
    "account_inactive",
    "account_reauthenticate",
    "account_change_password",
    "account_set_password",
    "account_reset_password",
    "account_reset_password_from_key_done",
    "account_reset_password_from_key",
    "account_reset_password_done",
    "mfa_index",
    "mfa_authenticate",
    "mfa_reauthenticate",
    "mfa_activate_totp",
    "mfa_deactivate_totp",
    "mfa_view_recovery_codes",
    "mfa_generate_recovery_codes",
    "mfa_download_recovery_codes",
}

MAY: dict[str, dict[str, frozenset[str]]] = {
    # accounts
    "accounts:door": {"GET": ANYBODY},
    "accounts:keys": {"GET": ANYBODY, "POST": ANYBODY},
    "accounts:start": {"GET": INSIDE},
    "accounts:work_as": {"POST": frozenset()},  # without a role in the body: 404
    "accounts:settings": {"GET": DIRECTOR, "POST": DIRECTOR},
    "accounts:people": {"GET": OFFICE},
    "accounts:person_new": {"GET": OFFICE, "POST": OFFICE},
    "accounts:person": {"GET": OFFICE, "POST": OFFICE},
    "api": {"GET": ANYBODY},
    "api_schema": {"GET": ANYBODY},
    "api_whoami": {"GET": ANYBODY},
    # logbook
    "logbook:exam_list": {"GET": INSIDE},
    "logbook:exam_new": {"GET": TRAINEES, "POST": TRAINEES},
    "logbook:exam": {"GET": OWNER | FACULTY | DIRECTOR},
    "logbook:exam_edit": {"GET": OWNER, "POST": OWNER},
    "logbook:exam_submit": {"GET": OWNER, "POST": OWNER},
    "logbook:exam_withdraw": {"GET": OWNER, "POST": OWNER},
    "logbook:exam_drop_edit": {"POST": OWNER},
    "logbook:captures": {"GET": OWNER},
    "logbook:capture_add": {"GET": OWNER, "POST": OWNER},
    "logbook:capture_mask": {"GET": OWNER, "POST": OWNER},
    "logbook:capture_preview": {"GET": OWNER},
    "logbook:capture_remove": {"POST": OWNER},
    "logbook:capture_master": {"GET": OWNER | FACULTY | DIRECTOR},
    "logbook:capture_poster": {"GET": OWNER | FACULTY | DIRECTOR},
    "logbook:capture_play": {"GET": OWNER | FACULTY | DIRECTOR},
    "logbook:shifts": {"GET": FACULTY | DIRECTOR, "POST": FACULTY | DIRECTOR},
    "logbook:settings": {"GET": DIRECTOR, "POST": DIRECTOR},
    "logbook:application_new": {"GET": DIRECTOR, "POST": DIRECTOR},
    "logbook:application": {"GET": DIRECTOR, "POST": DIRECTOR},
    "logbook:value_add": {"POST": DIRECTOR},
    "logbook:value_retire": {"POST": DIRECTOR},
    "logbook:may_read": {"GET": OFFICE, "POST": OFFICE},
    "api_exams": {"GET": ANYBODY},
    "api_exam": {"GET": OWNER, "PUT": OWNER},
    "api_submission": {"PUT": OWNER},
    # review
    "review:list": {"GET": FACULTY},
    "review:next": {"POST": FACULTY},
    "review:signed": {"GET": FACULTY},
    "review:correct": {"GET": FACULTY, "POST": FACULTY},
    "review:told": {"POST": FACULTY},
    "review:desk": {"GET": FACULTY},
    "review:take": {"POST": FACULTY},
    "review:save": {"POST": FACULTY},
    "review:reveal": {"POST": FACULTY},
    "review:sign": {"POST": FACULTY},
    "review:return": {"POST": FACULTY},
    "review:set_aside": {"POST": FACULTY},
    "review:release": {"POST": FACULTY},
    "review:exam": {"GET": OWNER | FACULTY | DIRECTOR},
    "review:acknowledge": {"POST": OWNER},
    "review:exception": {"POST": DIRECTOR},
    "review:credit_rule": {"GET": DIRECTOR, "POST": DIRECTOR},
    # credentialing
    "credentialing:home": {"GET": INSIDE},
    "credentialing:own_number": {"GET": TRAINEES},  # one's own; without a plan there is none
    "credentialing:cohort": {"GET": OFFICE},
    "credentialing:trainee": {"GET": OFFICE},
    "credentialing:number": {"GET": OFFICE},
    "credentialing:plan": {"GET": INSIDE},
    "credentialing:reports": {"GET": DIRECTOR, "POST": DIRECTOR},
    "credentialing:report_file": {"GET": DIRECTOR},
}
