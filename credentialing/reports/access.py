from accounts.access import P, row

ACCESS = {
    "credentialing:reports": row(GET=P.EXPORT_REPORTS, POST=P.EXPORT_REPORTS, log="report.asked"),
    "credentialing:report_file": row(GET=P.EXPORT_REPORTS, log="report.fetched"),
}
