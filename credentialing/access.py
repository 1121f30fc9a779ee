"""Who may: the rows of this floor."""

from credentialing.reports import access as reports

ACCESS = {**reports.ACCESS}
