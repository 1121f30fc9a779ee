"""Anybody's page: does this report still stand, and is this file the one that was signed?

Nobody can go through the codes: a code is 128 random bits; it is looked up by its digest; what
cannot be a code, what was never a code and what is another programme's mistake get the same bytes;
wrong tries are limited by where they come from, exactly; and every answer, whatever it says,
is filled up to one length. A GET looks nothing up and always answers the same. No answer names a
person or says why a report was revoked.
"""

from __future__ import annotations

import hashlib
from ipaddress import ip_network

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_protect

from accounts.adapter import give_back, take_attempt
from credentialing.models import Report, ReportSheet
from credentialing.reports import signing

LIMIT = 20  # wrong codes from one address in a quarter of an hour
LENGTH = 16 * 1024
UNKNOWN = "unknown"
TEMPLATE = "credentialing/reports/check.html"


@never_cache
@csrf_protect
def page(request: HttpRequest) -> HttpResponse:
    """GET: the form, with the code of a QR code filled in. POST: the answer."""
    if request.method != "POST":
        asked = {"typed": request.GET.get("code", "")[:80], "report": None, "answer": ""}
        return _filled(render(request, TEMPLATE, {**asked, "contact": ""}))
    typed = request.POST.get("code", "")[:80]
    bucket = hashlib.sha256(f"report check {_place(request)}".encode()).hexdigest()
    if not take_attempt(bucket, limit=LIMIT):
        sentence = _("Too many wrong codes from here. Wait a quarter of an hour, then try again.")
        return _filled(render(request, "429.html", {"sentence": sentence}, status=429))
    report = find(typed)
    if report is not None:
        give_back(bucket)
    context = {
        "typed": typed,
        "report": report,
        "answer": report.state if report else UNKNOWN,
        "contact": _contact(report),
    }
    return _filled(render(request, TEMPLATE, context))


def find(typed: str) -> Report | None:
    """One query whatever was typed; what cannot be a code is looked up like any other."""
    digest = signing.digest_of_code(signing.read_code(typed) or "")
    return (
        Report.objects.select_related("programme__institution", "key")
        .filter(code_digest=digest)
        .first()
    )


def _contact(report: Report | None) -> str:
    """Whom the programme wants to be rung now; one query whatever was found."""
    programme = report.programme_id if report else None
    newest = ReportSheet.objects.filter(programme=programme).order_by("-n")
    return newest.values_list("contact", flat=True).first() or ""


def _filled(response: HttpResponse) -> HttpResponse:
    """All answers are of one length, so that who sees them pass cannot tell them apart."""
    missing = -len(response.content) % LENGTH
    response.content = response.content + b"\n" * missing
    return response


def _place(request: HttpRequest) -> str:
    """Where a request comes from, as deploy.proxies found it; of IPv6 the network that one
    customer has whole (a /64, by common practice)."""
    address = request.META.get("REMOTE_ADDR", "")
    return str(ip_network(f"{address}/64", strict=False)) if ":" in address else address
