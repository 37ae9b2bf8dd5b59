"""People in front of pages, and a trace to look at."""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.http import HttpResponse
from django.test import Client

from core.accounts.actor import Actor
from core.models import Person
from core.tenancy.scope import contractor_scope
from faults.selectors.traces import trace_next
from tests.faults.hunts import Hunt
from tests.pages.every_page import a_whole_day_of

Entering = Callable[[Person], Client]


def entered(person: Person) -> Client:
    """A browser in which this person is signed in; it has to send the tokens of its forms."""
    client = Client()
    with contractor_scope(person.contractor_id):
        client.force_login(person, backend="core.accounts.sign_in.PersonBackend")
    return client


@pytest.fixture
def enter() -> Entering:
    return entered


@pytest.fixture
def browser(technician: Person) -> Client:
    return entered(technician)


@pytest.fixture
def hunt(by: Actor) -> Hunt:
    return Hunt(by)


@pytest.fixture
def ended(hunt: Hunt, settings: Any, tmp_path: Path) -> Hunt:
    """A hunt to its end, with a thing of each kind that pages are about."""
    settings.MEDIA_ROOT = str(tmp_path)
    a_whole_day_of(hunt)
    return hunt


def text_of(answer: Any) -> str:
    """What an answer says, without its tags and with single blanks."""
    body = re.sub(r"<[^>]*>", " ", answer.content.decode())
    return re.sub(r"\s+", " ", html.unescape(body))


def posted_fields(answer: HttpResponse, action: str) -> dict[str, str]:
    """The hidden fields of the first form of a page that goes to an address ending so."""
    page = answer.content.decode()
    forms = re.findall(r'<form[^>]*action="([^"]*)"[^>]*>(.*?)</form>', page, re.DOTALL)
    form = next(inside for where, inside in forms if where.endswith(action))
    inputs = re.findall(r'<input type="hidden"[^>]*>', form)
    return {
        found[1]: html.unescape(value[1]) if (value := re.search(r'value="([^"]*)"', one)) else ""
        for one in inputs
        if (found := re.search(r'name="([^"]*)"', one))
    }


def step_of(hunt: Hunt) -> dict[str, Any]:
    hunt.again()
    return trace_next(hunt.trace)
