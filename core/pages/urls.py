"""Addresses of signing in and out."""

from __future__ import annotations

from django.urls import path

from core.pages.passwords import NewPassword, own_password, people, person_password_link
from core.pages.sign_in import sign_in, sign_out

urlpatterns = [
    path("sign-in", sign_in, name="sign-in"),
    path("sign-out", sign_out, name="sign-out"),
    path("password", own_password, name="own-password"),
    path("people", people, name="people"),
    path(
        "people/<slug:public_id>/password-link", person_password_link, name="person-password-link"
    ),
    path("new-password/<slug:uidb64>/<slug:token>", NewPassword.as_view(), name="new-password"),
]
