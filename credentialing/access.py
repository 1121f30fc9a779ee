"""Who may open the pages of plans and standings."""

from accounts.access import P, row

ACCESS = {
    # Whoever has left keeps their own record.
    "credentialing:home": row(GET=P.SEE_OWN),
    "credentialing:own_number": row(GET=P.SEE_OWN),
    "credentialing:cohort": row(GET=P.SEE_COHORT, log="cohort"),
    "credentialing:trainee": row(GET=P.SEE_COHORT, log="standing"),
    "credentialing:number": row(GET=P.SEE_COHORT, log="scans behind a number"),
    "credentialing:plan": row(GET=P.MEMBER),
    "credentialing:reports": row(GET=P.EXPORT_REPORTS, POST=P.EXPORT_REPORTS, log="reports"),
    "credentialing:report_file": row(GET=P.EXPORT_REPORTS, log="report"),
}
