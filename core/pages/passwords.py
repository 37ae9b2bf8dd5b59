"""Passwords: everybody sets their own anew, an owner gives a link to who has lost theirs."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth import authenticate, update_session_auth_hash
from django.contrib.auth.views import INTERNAL_RESET_SESSION_TOKEN, PasswordResetConfirmView
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from core.accounts.actor import Actor
from core.accounts.directory import person_get, person_list
from core.accounts.password_links import (
    password_link_issue,
    password_link_person,
    password_set_by_link,
    password_set_by_oneself,
)
from core.models.accounts import Person
from core.pages.access import own_page, owner_page
from core.pages.problems import problem_onto_form
from core.problems import Invalid, Problem


class NewPasswordForm(forms.Form):
    """A password, twice."""

    new_password = forms.CharField(
        label="New password",
        max_length=128,
        strip=False,
        help_text="At least 12 characters, none of the usual ones.",
        widget=forms.PasswordInput({"autocomplete": "new-password"}),
    )
    again = forms.CharField(
        label="The same again",
        max_length=128,
        strip=False,
        widget=forms.PasswordInput({"autocomplete": "new-password"}),
    )

    def __init__(self, *args: Any, user: Person, **options: Any) -> None:
        super().__init__(*args, **options)
        self.person = user

    def clean(self) -> dict[str, Any]:
        """Both are the same."""
        said: dict[str, Any] = super().clean() or {}
        if not self.errors and said["new_password"] != said["again"]:
            self.add_error("again", "This is another one; right: the same password twice")
        return said


class OwnPasswordForm(NewPasswordForm):
    """The password so far, and the new one twice."""

    password = forms.CharField(
        label="Password so far",
        max_length=128,
        strip=False,
        widget=forms.PasswordInput({"autocomplete": "current-password"}),
    )
    field_order = ("password", "new_password", "again")


@sensitive_post_parameters()
@require_http_methods(["GET", "HEAD", "POST"])
@own_page
def own_password(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Set one's own password anew. Wrong ones count as at signing in; this session goes on."""
    person = person_get(actor.public_id)
    form = OwnPasswordForm(request.POST or None, user=person)
    if request.method == "POST" and form.is_valid():
        said = form.cleaned_data
        credentials = {"username": person.sign_in_name, "password": said["password"]}
        if authenticate(request, **credentials) is None:
            form.add_error("password", "This is not your password; nothing was changed")
        else:
            try:
                held = password_set_by_oneself(person=person, password=said["new_password"])
            except Invalid as problem:
                _told_of_new(form, problem)
            else:
                update_session_auth_hash(request, held)
                messages.success(request, "Your password is set. Elsewhere you are signed out.")
                return HttpResponseRedirect("/")
    status = 422 if form.errors else 200
    return render(request, "core/own_password.html", {"form": form}, status=status)


def _told_of_new(form: NewPasswordForm, problem: Problem) -> None:
    for told in [one.what for one in problem.defects] or [problem.detail]:
        form.add_error("new_password", told)


@require_safe
@owner_page
def people(request: HttpRequest, actor: Actor) -> HttpResponse:  # noqa: ARG001 - the page's form
    """Everybody who works for the contractor."""
    return _people_shown(request, 200)


@require_POST
@owner_page
def person_password_link(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Make a link for a person; it is shown this once."""
    person = person_get(public_id)
    link = password_link_issue(person=person, by=actor)
    address = request.build_absolute_uri(link.path)
    return _people_shown(request, 200, person=person, link=link, address=address)


def _people_shown(request: HttpRequest, status: int, **more: Any) -> HttpResponse:
    context = {"people": person_list().order_by("name", "pk")}
    return render(request, "core/people.html", context | more, status=status)


class NewPassword(PasswordResetConfirmView):
    """Where a link leads. Django's view keeps its token in the session and out of the address
    before the form is shown, so that it is told to nobody as a referrer."""

    template_name = "core/new_password.html"
    form_class = NewPasswordForm  # type: ignore[assignment]

    def get_user(self, uidb64: str) -> Person | None:
        """The person whom the address names."""
        return password_link_person(uidb64)

    def form_valid(self, form: NewPasswordForm) -> HttpResponse:  # type: ignore[override]
        """Set it; the person signs in with it next."""
        token = self.request.session.get(INTERNAL_RESET_SESSION_TOKEN, "")
        password = form.cleaned_data["new_password"]
        try:
            password_set_by_link(person=form.person, token=token, password=password)
        except Problem as problem:
            if isinstance(problem, Invalid):
                _told_of_new(form, problem)
            else:
                problem_onto_form(form, problem)
            return self.render_to_response(self.get_context_data(form=form), status=422)
        self.request.session.flush()
        messages.success(self.request, "The password is set. Sign in with it now.")
        return HttpResponseRedirect(reverse("sign-in"))

    def form_invalid(self, form: forms.Form) -> HttpResponse:
        """The form again."""
        return self.render_to_response(self.get_context_data(form=form), status=422)
