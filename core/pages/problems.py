"""Problems of services on pages: at the field they are about, or as a page of their own."""

from __future__ import annotations

from collections.abc import Callable

from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from core.problems import Defect, Invalid, Problem


def problem_page(request: HttpRequest, problem: Problem) -> HttpResponse:
    """A page that says what happened and what would be right, with the problem's status
    and headers."""
    context = {
        "title": problem.title,
        "detail": problem.detail,
        "defects": [defect_words(defect) for defect in problem.defects],
    }
    answer = render(request, "core/problem.html", context, status=problem.status)
    for name, value in problem.headers.items():
        answer.headers[name] = value
    return answer


def problem_onto_form(form: Form, problem: Problem) -> None:
    """Say a problem at the fields that its pointers name, and the rest above the form."""
    told = False
    for defect in problem.defects:
        name = defect.pointer.strip("/").partition("/")[0]
        if name in form.fields:
            form.add_error(name, _sentence(defect))
        else:
            form.add_error(None, defect_words(defect))
        told = True
    if not told:
        form.add_error(None, problem.detail)


def defect_words(defect: Defect) -> str:
    """Where, what, and what would be right, on one line."""
    where = defect.pointer.strip("/").replace("/", ", ")
    return f"{where}: {_sentence(defect)}" if where else _sentence(defect)


def _sentence(defect: Defect) -> str:
    return f"{defect.what}; right: {defect.right}" if defect.right else defect.what


def problem_onto_rows(form: Form, problem: Problem, name_of: Callable[[int, str], str]) -> None:
    """Say a problem at the fields of a form's rows; what is about no row as usual.

    ``name_of`` names the field of a pointer ``/…/ROW/MEMBER``, by the row's number and the member.
    """
    others: list[Defect] = []
    for defect in problem.defects:
        steps = defect.pointer.strip("/").split("/")
        name = name_of(int(steps[1]), steps[2]) if len(steps) == 3 and steps[1].isdigit() else ""
        if name in form.fields:
            form.add_error(name, f"{defect.what}; right: {defect.right}")
        else:
            others.append(defect)
    if others or not problem.defects:
        problem_onto_form(form, Invalid(problem.detail, defects=others))
