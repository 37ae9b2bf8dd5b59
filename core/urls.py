"""Addresses this server answers."""

from __future__ import annotations

from django.urls import path

from core.health import livez

urlpatterns = [
    path("livez", livez, name="livez"),
]
