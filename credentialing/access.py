"""Who may open the pages of plans and standings."""

from accounts.access import P, open_to_all, row

ACCESS = {
    # Whoever has left keeps their own record.
    "credentialing:home": row(GET=P.SEE_OWN),
    "credentialing:own_number": row(GET=P.SEE_OWN),
    "credentialing:cohort": row(GET=P.SEE_COHORT, log="cohort"),
    "credentialing:trainee": row(GET=P.SEE_COHORT, log="standing"),
    "credentialing:number": row(GET=P.SEE_COHORT, log="scans behind a number"),
    # Which kinds of line somebody may write: credentialing.rules.permission_for.
    "credentialing:seen": row(GET=P.SEE_OWN),
    "credentialing:own_record": row(GET=P.SEE_OWN),
    "credentialing:record": row(GET=P.MANAGE_PEOPLE, log="record"),
    "credentialing:record_add": row(GET=P.MANAGE_PEOPLE, POST=P.MANAGE_PEOPLE),
    "credentialing:record_change": row(GET=P.MANAGE_PEOPLE, POST=P.MANAGE_PEOPLE),
    "credentialing:summary": row(GET=P.SEE_COHORT, POST=P.SEE_COHORT, log="month in figures"),
    "credentialing:digest": row(POST=P.SEE_COHORT),
    "credentialing:runs": row(GET=P.SEE_COHORT),
    "credentialing:run": row(GET=P.SEE_COHORT),
    "credentialing:own_curve": row(GET=P.SEE_OWN),
    "credentialing:curve": row(GET=P.SEE_ANY_EXAM, POST=P.MANAGE_PLANS, log="learning curve"),
    "credentialing:outlook": row(GET=P.CHANGE_SETTINGS, POST=P.CHANGE_SETTINGS),
    "credentialing:plan": row(GET=P.MEMBER),
    "credentialing:plans": row(GET=P.MANAGE_PLANS, POST=P.MANAGE_PLANS),
    "credentialing:plan_draft": row(GET=P.MANAGE_PLANS, POST=P.MANAGE_PLANS),
    "credentialing:plan_drop": row(POST=P.MANAGE_PLANS),
    "credentialing:plan_publish": row(POST=P.MANAGE_PLANS),
    "credentialing:plan_what_if": row(GET=P.MANAGE_PLANS, log="what a plan would change"),
    "credentialing:plan_version": row(GET=P.MANAGE_PLANS, POST=P.MANAGE_PLANS),
    "credentialing:plan_file": row(GET=P.MANAGE_PLANS),
    "credentialing:plan_compare": row(GET=P.MANAGE_PLANS),
    "credentialing:reports": row(GET=P.EXPORT_REPORTS, POST=P.EXPORT_REPORTS, log="reports"),
    "credentialing:report_file": row(GET=P.EXPORT_REPORTS, log="report"),
    "credentialing:report_issue": row(GET=P.ISSUE_REPORTS, POST=P.ISSUE_REPORTS, log="reports"),
    "credentialing:report_issued": row(GET=P.EXPORT_REPORTS, log="issued report"),
    "credentialing:report_revoke": row(POST=P.ISSUE_REPORTS),
    # The view gives a person their own and nobody else's.
    "credentialing:report_signed": row(GET=(P.SEE_OWN, P.EXPORT_REPORTS), log="signed report"),
    "credentialing:own_reports": row(GET=P.SEE_OWN),
    "credentialing:batch_new": row(GET=P.ISSUE_REPORTS, POST=P.ISSUE_REPORTS, log="reports"),
    "credentialing:batch": row(GET=P.EXPORT_REPORTS, POST=P.ISSUE_REPORTS, log="reports"),
    "credentialing:batch_zip": row(GET=P.EXPORT_REPORTS, log="signed reports of a batch"),
    "credentialing:signing_keys": row(GET=P.ISSUE_REPORTS, POST=P.ISSUE_REPORTS),
    "credentialing:certificate": row(GET=P.MEMBER),
    "credentialing:report_sheet": row(GET=P.CHANGE_SETTINGS, POST=P.CHANGE_SETTINGS),
    "report_check": open_to_all(
        "whoever holds a report checks it; answers to a 128-bit code alone, and names nobody",
        "GET", "HEAD", "POST",
    ),
}  # fmt: skip
