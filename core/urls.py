"""Addresses this server answers."""

from __future__ import annotations

from django.urls import include, path

from core.health import livez

urlpatterns = [
    path("livez", livez, name="livez"),
    path("api/v1/", include("api.urls")),
    path("", include("core.pages.urls")),
    path("", include("sites.pages.urls")),
    path("", include("faults.pages.urls")),
    path("", include("faults.pages.audit_urls")),
]

handler400 = "core.pages.errors.bad_request"
handler404 = "core.pages.errors.not_found"
handler500 = "api.problems.server_error"
