"""Addresses this server answers."""

from __future__ import annotations

from django.urls import include, path

from core.health import livez

urlpatterns = [
    path("livez", livez, name="livez"),
    path("api/v1/", include("api.urls")),
]

handler500 = "api.problems.server_error"
