"""What every response carries, and one log line a request."""

from __future__ import annotations

import time
import uuid
from collections.abc import Callable, Iterable, Mapping

import structlog
from django.http import HttpRequest, HttpResponse, HttpResponseBase

Handler = Callable[[HttpRequest], HttpResponseBase]

POLICY: dict[str, tuple[str, ...]] = {
    "default-src": ("'self'",),
    "base-uri": ("'none'",),
    "object-src": ("'none'",),
    "form-action": ("'self'",),
    "frame-ancestors": ("'none'",),
}
# A view that needs more says so on its own response: `response.csp_extra = {"img-src": ["blob:"]}`.
MAY_ADD: dict[str, frozenset[str]] = {
    "img-src": frozenset({"blob:", "data:"}),
    "media-src": frozenset({"blob:"}),
    "worker-src": frozenset({"blob:"}),
}

SANDBOX = "default-src 'none'; frame-ancestors 'none'; sandbox"

PERMISSIONS = "camera=(self), fullscreen=(self), geolocation=(), microphone=(), payment=(), usb=()"

log = structlog.get_logger("interspace.request")


def content_policy(extra: Mapping[str, Iterable[str]] | None = None) -> str:
    """The Content-Security-Policy header. Raises ValueError for what no view may add."""
    policy = dict(POLICY)
    for directive, sources in (extra or {}).items():
        wanted = tuple(sources)
        refused = [s for s in wanted if s not in MAY_ADD.get(directive, frozenset())]
        if refused:
            raise ValueError(f"{directive} may not be widened by {', '.join(refused)}")
        policy[directive] = (*policy.get(directive, ("'self'",)), *wanted)
    return "; ".join(f"{name} {' '.join(sources)}" for name, sources in policy.items())


def response_headers(get_response: Handler) -> Handler:
    """Headers on every response, errors, redirects and static files included."""

    def middleware(request: HttpRequest) -> HttpResponseBase:
        response = get_response(request)
        headers = response.headers
        if getattr(response, "sandbox", False):  # a stored file: a browser runs nothing of it
            headers["Content-Security-Policy"] = SANDBOX
        else:
            policy = content_policy(getattr(response, "csp_extra", None))
            headers["Content-Security-Policy"] = policy
        headers["Permissions-Policy"] = PERMISSIONS
        headers["Cross-Origin-Resource-Policy"] = "same-origin"
        headers.setdefault("X-Content-Type-Options", "nosniff")
        headers.setdefault("X-Frame-Options", "DENY")
        headers.setdefault("Referrer-Policy", "same-origin")
        headers.setdefault("Cross-Origin-Opener-Policy", "same-origin")
        # Records of people: nothing is kept by a shared machine unless a view says it may be.
        headers.setdefault("Cache-Control", "no-store")
        return response

    return middleware


def request_log(get_response: Handler) -> Handler:
    """One line a request: route, status, milliseconds, and an id that ties other lines to it."""

    def middleware(request: HttpRequest) -> HttpResponseBase:
        started = time.perf_counter()
        request_id = uuid.uuid4().hex[:12]
        structlog.contextvars.clear_contextvars()
        structlog.contextvars.bind_contextvars(request=request_id)
        response = get_response(request)
        match = request.resolver_match
        if match is None or match.route not in {"healthz", "readyz"}:
            log.info(
                "answered",
                method=request.method,
                route=match.route if match else None,
                status=response.status_code,
                ms=round((time.perf_counter() - started) * 1000, 1),
            )
        if isinstance(response, HttpResponse):
            response.headers["X-Request-Id"] = request_id
        return response

    return middleware
