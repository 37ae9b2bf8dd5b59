"""Addresses of signing in and out."""

from __future__ import annotations

from django.urls import path

from core.pages.sign_in import sign_in, sign_out

urlpatterns = [
    path("sign-in", sign_in, name="sign-in"),
    path("sign-out", sign_out, name="sign-out"),
]
