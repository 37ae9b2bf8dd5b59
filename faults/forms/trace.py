"""The trace form ``clampline-trace/1``: a survey and what is known before starting.

A survey alone is a trace of which nothing more is known. A rehearsal is taken too, without all
that is truth in it, so that whoever traces cannot see it.
"""

from __future__ import annotations

from typing import Any

from faults.forms.known import (
    costs_document,
    history_document,
    known_defects,
    meter_document,
    priors_rows,
    read_costs,
    read_history,
    read_meter,
    read_priors,
    read_sound_record,
    sound_record_rows,
)
from faults.forms.rehearsal import REHEARSAL_FORMAT, rehearsal_defects
from faults.forms.schema_files import form_defects
from faults.tracing.problem import TraceProblem
from sites.forms.defects import Defect, refuse_if_any, shown
from sites.forms.rows import member
from sites.forms.survey import (
    SURVEY_FORMAT,
    impedance_pair,
    read_impedance,
    read_survey,
    survey_document,
    survey_path,
)
from sites.forms.survey_checks import survey_defects

TRACE_FORMAT = "clampline-trace/1"

Document = dict[str, Any]


def read_trace(document: Document) -> TraceProblem:
    """What a trace starts from: a trace, a survey, or a rehearsal without its truth.

    Raises FormDefects with every defect of the document.
    """
    form = member(document, "format")
    if form == SURVEY_FORMAT:
        return TraceProblem(read_survey(document))
    if form == REHEARSAL_FORMAT:
        refuse_if_any(rehearsal_defects(document))
        return _problem(without_truth(document))
    if form != TRACE_FORMAT:
        refuse_if_any([format_defect(document, (TRACE_FORMAT, SURVEY_FORMAT, REHEARSAL_FORMAT))])
    inner = survey_defects(member(document, "survey"))
    refuse_if_any(
        [
            *form_defects(document, "trace"),
            *(defect.below("/survey") for defect in inner),
            *known_defects(document),
        ]
    )
    return _problem(document)


def without_truth(rehearsal: Document) -> Document:
    """The trace in a rehearsal's document: only what whoever traces may know is taken over."""
    trace: Document = {"format": TRACE_FORMAT}
    for name in ("costs", "priors", "sound_record"):
        if name in rehearsal:
            trace[name] = rehearsal[name]
    survey = rehearsal["survey"]
    path = {name: value for name, value in survey["path"].items() if name != "trip_spread"}
    trace["survey"] = {**survey, "path": path}
    meter = rehearsal.get("meter", {})
    trace["meter"] = {name: value for name, value in meter.items() if name != "seed"}
    if rehearsal.get("coil_known", False) is True:
        trace["series_coil_ohm"] = rehearsal["series_coil_ohm"]
    return trace


def trace_document(problem: TraceProblem) -> Document:
    """The document of what a trace starts from."""
    coil_ohm = problem.coil_ohm
    return {
        "format": TRACE_FORMAT,
        "survey": survey_document(problem.path),
        "series_coil_ohm": None if coil_ohm is None else impedance_pair(coil_ohm),
        "meter": meter_document(problem.meter),
        "costs": costs_document(problem.costs),
        "priors": priors_rows(problem.priors),
        **({} if problem.history is None else {"history": history_document(problem.history)}),
        "sound_record": sound_record_rows(problem.sound_record),
        **({} if problem.dated is None else {"dated": problem.dated}),
    }


def format_defect(document: object, wanted: tuple[str, ...]) -> Defect:
    """The defect of a document whose ``format`` is none of those wanted."""
    form = member(document, "format")
    what = "format is missing" if form is None else f"{shown(form)} is not a form that fits here"
    return Defect("/format", what, f"one of {', '.join(shown(one) for one in wanted)}")


def _problem(document: Document) -> TraceProblem:
    coil = document.get("series_coil_ohm")
    return TraceProblem(
        path=survey_path(document["survey"]),
        coil_ohm=None if coil is None else read_impedance(coil),
        meter=read_meter(document.get("meter", {})),
        costs=read_costs(document.get("costs", {})),
        priors=read_priors(document.get("priors", [])),
        history=read_history(document.get("history")),
        sound_record=read_sound_record(document.get("sound_record", [])),
        dated=document.get("dated"),
    )
