"""Signing in with a name and a password, and out again."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth import authenticate, login, logout
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render, resolve_url
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from core.client_address import client_address
from core.counting import count_in_window
from core.models import Person
from core.pages.access import signed_in
from core.tenancy.scope import contractor_scope

WRONG = "This name and password do not go together. Look at both and try again."
"""The same words for an unknown name and for a wrong password."""

MOST_WRONG = 60
WRONG_WINDOW_S = 900
"""Wrong tries taken from one address over all names: each costs as much as a right one."""


class SignInForm(forms.Form):
    """A name and a password; browsers know these two by their autocomplete words."""

    username = forms.CharField(
        label="Sign-in name",
        max_length=120,
        widget=forms.TextInput({"autocomplete": "username", "autocapitalize": "none"}),
    )
    password = forms.CharField(
        label="Password",
        max_length=128,
        strip=False,
        widget=forms.PasswordInput({"autocomplete": "current-password"}),
    )


@sensitive_post_parameters("password")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def sign_in(request: HttpRequest) -> HttpResponse:
    """Ask for a name and a password, and go on to the page that was wanted."""
    wanted = request.POST.get("next", request.GET.get("next", ""))
    if request.method != "POST":
        if signed_in(request) is not None:
            return HttpResponseRedirect(_safe(request, wanted))
        return _asked(request, SignInForm(), wanted)
    form = SignInForm(request.POST)
    if form.is_valid():
        address = f"sign-in:{client_address(request)}"
        # Counted before it is tried, or many at once would pass; the right ones are given back.
        if count_in_window(address, WRONG_WINDOW_S)[0] > MOST_WRONG:
            return locked_out(request)
        person = authenticate(request, **form.cleaned_data)
        if isinstance(person, Person):
            count_in_window(address, WRONG_WINDOW_S, by=-1)
            # The row of the person is written, and nobody's scope is open yet.
            with contractor_scope(person.contractor_id):
                login(request, person)
            return HttpResponseRedirect(_safe(request, wanted))
        form.add_error(None, WRONG)
    return _asked(request, form, wanted)


@require_POST
def sign_out(request: HttpRequest) -> HttpResponse:
    """End the session; the browser drops what it kept of these pages."""
    logout(request)
    answer = HttpResponseRedirect(resolve_url("sign-in"))
    answer.headers["Clear-Site-Data"] = '"storage"'
    return answer


def locked_out(
    request: HttpRequest, _response: HttpResponse | None = None, *_: Any, **__: Any
) -> HttpResponse:
    """Too many wrong passwords: the same page whether the name is known or not."""
    answer = render(request, "core/locked_out.html", status=429)
    answer.headers["Retry-After"] = "900"
    return answer


def _asked(request: HttpRequest, form: SignInForm, wanted: str) -> HttpResponse:
    status = 422 if form.errors else 200
    return render(request, "core/sign_in.html", {"form": form, "next": wanted}, status=status)


def _safe(request: HttpRequest, wanted: str) -> str:
    """The wanted page where it is one of this site, else the first page."""
    own = {request.get_host()}
    is_own = url_has_allowed_host_and_scheme(wanted, own, require_https=request.is_secure())
    return wanted if is_own else "/"
