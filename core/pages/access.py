"""Who may see and use a page: people who are signed in; those who only audit change nothing."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Concatenate, ParamSpec

from django.contrib import messages
from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.cache import add_never_cache_headers

from core.accounts.actor import Actor, Role
from core.accounts.directory import contractor_zone
from core.pages.problems import problem_page
from core.problems import Invalid, NotAllowed, Problem

CHANGERS = frozenset({Role.TECHNICIAN, Role.SUPERVISOR, Role.OWNER})
"""Roles that may change what pages show; an auditor reads."""

LOOK_BACK = frozenset({Role.SUPERVISOR, Role.AUDITOR, Role.OWNER})
"""Roles that may see the audit, and keep questions and reports of it."""

OFFICE = frozenset({Role.SUPERVISOR, Role.OWNER})
"""Roles that set a contractor's rules and limits, make plans, and watch or clear flags."""

NOT_KEPT = (
    "You were signed out meanwhile, so what you just sent was not kept. "
    "Sign in, and send it once more."
)

_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_P = ParamSpec("_P")
PageView = Callable[Concatenate[HttpRequest, Actor, _P], HttpResponse]
DjangoView = Callable[Concatenate[HttpRequest, _P], HttpResponse]


def page(view: PageView[_P]) -> DjangoView[_P]:
    """A view for signed-in people, called with who asks; a problem it raises becomes a page.

    Nobody is sent to sign in and back here; who has no fitting role is refused. What it answers
    is kept by no cache.
    """
    return _answering(view, _refuse_role)


def office_page(view: PageView[_P]) -> DjangoView[_P]:
    """As ``page``: all read it, and what is sent is from supervisors and owners alone."""
    return _answering(view, _refuse_who_rules_not)


def owner_page(view: PageView[_P]) -> DjangoView[_P]:
    """As ``page``, for owners alone."""
    return _answering(view, _refuse_who_owns_not)


def audit_page(view: PageView[_P]) -> DjangoView[_P]:
    """As ``page``, for those who look back: they may keep what they ask, auditors too."""
    return _answering(view, _refuse_who_does_not_look_back)


def own_page(view: PageView[_P]) -> DjangoView[_P]:
    """As ``page``, for what is of oneself alone: everybody sends it, whatever their roles."""
    return _answering(view, lambda _actor, _method: None)


def _answering(view: PageView[_P], refuse: Callable[[Actor, str], None]) -> DjangoView[_P]:
    @wraps(view)
    def answer(request: HttpRequest, /, *args: _P.args, **kwargs: _P.kwargs) -> HttpResponse:
        actor = signed_in(request)
        if actor is None:
            # What was posted is gone by then, so a post comes back to where it was written.
            if request.method in _SAFE:
                back = request.get_full_path()
            else:
                back = _written_on(request)
                messages.warning(request, NOT_KEPT)
            found: HttpResponse = redirect_to_login(back)
        else:
            try:
                refuse(actor, request.method or "GET")
                _refuse_nul(request)
                # Times of a page are those of its property (base.html), else of the contractor.
                with timezone.override(contractor_zone(actor.contractor_id)):
                    found = view(request, actor, *args, **kwargs)
            except Problem as problem:
                found = problem_page(request, problem)
        add_never_cache_headers(found)
        return found

    return answer


def signed_in(request: HttpRequest) -> Actor | None:
    """The person who asks; None for nobody and for machines, which have the API."""
    actor: Actor | None = getattr(request, "actor", None)
    return actor if actor is not None and actor.kind == "person" else None


def may_change(actor: Actor) -> bool:
    """Whether a person may do more than read."""
    return bool(actor.roles & CHANGERS)


def may_rule(actor: Actor) -> bool:
    """Whether a person may send what an ``office_page`` takes."""
    return bool(actor.roles & OFFICE)


def _refuse_role(actor: Actor, method: str) -> None:
    if not actor.roles:
        raise NotAllowed("You have no role here yet. Ask an owner of your contractor for one.")
    if method not in _SAFE and not may_change(actor):
        raise NotAllowed("As an auditor you read these pages; nothing was changed.")


def _refuse_who_rules_not(actor: Actor, method: str) -> None:
    _refuse_role(actor, method)
    if method not in _SAFE and not may_rule(actor):
        raise NotAllowed("That is for supervisors and owners; nothing was changed.")


def _refuse_who_owns_not(actor: Actor, _method: str) -> None:
    if Role.OWNER not in actor.roles:
        raise NotAllowed("That is for owners; nothing was changed.")


def _refuse_who_does_not_look_back(actor: Actor, _method: str) -> None:
    if not actor.roles & LOOK_BACK:
        raise NotAllowed("The audit is for supervisors, auditors and owners.")


def _refuse_nul(request: HttpRequest) -> None:
    """No text that a person writes holds NUL, and no database keeps it."""
    for given in (request.GET, request.POST):
        if any("\x00" in word for name, values in given.lists() for word in (name, *values)):
            raise Invalid("The request holds the character NUL, which cannot be stored.")


def _written_on(request: HttpRequest) -> str:
    """The page of this site that a form was written on, else the first page."""
    referrer = request.headers.get("Referer", "")
    own = f"{request.scheme}://{request.get_host()}/"
    return "/" + referrer.removeprefix(own) if referrer.startswith(own) else "/"
