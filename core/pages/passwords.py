"""People and their passwords: an owner gives a link, whoever has it sets the password anew."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.views import INTERNAL_RESET_SESSION_TOKEN, PasswordResetConfirmView
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from core.accounts.actor import Actor
from core.accounts.directory import person_get, person_list
from core.accounts.password_links import (
    password_link_issue,
    password_link_person,
    password_set_by_link,
)
from core.models.accounts import Person
from core.pages.access import owner_page
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
            told = [f"{one.what}" for one in problem.defects] or [problem.detail]
            if isinstance(problem, Invalid):
                for one in told:
                    form.add_error("new_password", one)
            else:
                problem_onto_form(form, problem)
            return self.render_to_response(self.get_context_data(form=form), status=422)
        self.request.session.flush()
        messages.success(self.request, "The password is set. Sign in with it now.")
        return HttpResponseRedirect(reverse("sign-in"))

    def form_invalid(self, form: forms.Form) -> HttpResponse:
        """The form again."""
        return self.render_to_response(self.get_context_data(form=form), status=422)
