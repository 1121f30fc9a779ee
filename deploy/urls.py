"""Addresses: pages under /p/<programme>/, the API under /api/v1/, sign-in under /sign-in/."""

from __future__ import annotations

from django.urls import include, path

from deploy import health, schema

urlpatterns = [
    path("healthz", health.alive, name="healthz"),
    path("readyz", health.ready, name="readyz"),
    path("sign-in/", include("allauth.urls")),
    path("api/", schema.page, name="api"),
    path("api/v1/schema", schema.document, name="api_schema"),
    path("api/v1/", include("accounts.api_urls")),
    path("api/v1/", include("logbook.api_urls")),
    path("api/v1/", include("review.api_urls")),
    path("api/v1/", include("credentialing.api_urls")),
    path("", include("credentialing.open_urls")),
    path("", include("accounts.urls")),
    path("", include("accounts.ui.urls")),
    path("p/<slug:programme>/", include("logbook.urls")),
    path("p/<slug:programme>/", include("review.urls")),
    path("p/<slug:programme>/", include("credentialing.urls")),
]

handler400 = "accounts.views.bad_request"
handler403 = "accounts.views.forbidden"
handler404 = "accounts.views.not_found"
handler500 = "accounts.views.broken"
