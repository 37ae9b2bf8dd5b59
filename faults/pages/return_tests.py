"""The return test on a page: each leg's reading beside what it should be."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from core.accounts.actor import Actor
from core.pages.access import page
from core.pages.numbers import NumberField
from core.pages.problems import problem_onto_rows
from core.problems import Conflict, Problem
from faults.leg_volts import LeastVolts
from faults.models.call import FaultCall
from faults.models.return_test import ReturnTest
from faults.pages.doubts import AsksReally, leg_doubts
from faults.pages.fields import OnceForm, refuse_readers
from faults.pages.leaving import left_lines, left_on_path
from faults.selectors.calls import call_get
from faults.selectors.leg_rises import rises_at
from faults.selectors.repairs import return_test_list
from faults.services.leg_expectations import legs_expected, legs_predicted, terminals_least
from faults.services.leg_judgement import LEAST_INSULATION_MOHM
from faults.services.return_tests import (
    QUIET_MIN,
    LegReading,
    ReturnReadings,
    return_test_record,
)
from faults.tracing.problem import Meter
from faults.transitions import CallState
from sites.models.wire_path import WirePath
from sites.network_snapshot import path_network

_READ = (
    ("current_ma", "Current at the controller, mA"),
    ("far_v", "Volts at the far end"),
    ("far_ohm", "Ohms, path off; kept, not judged"),
    ("insulation_mohm", f"To earth, MΩ, path off; {LEAST_INSULATION_MOHM:g} or more"),
)

_BASIS = {
    "sound-record": "its sound record",
    "prediction": "the circuit alone",
    "limit": "the limit of the path",
}


@dataclass(frozen=True)
class LegExpected:
    """What a leg may read, with an unknown meter; ``basis`` says by what. ``least_v``: at its far
    end, None where nothing is known of it."""

    leg: str
    low_ma: float
    high_ma: float
    basis: str
    least_v: float | None
    least_v_basis: str


@dataclass(frozen=True)
class Expectations:
    """What all legs may read, and the terminals at least."""

    legs: list[LegExpected]
    terminals: LeastVolts | None


class ReturnTestForm(AsksReally, OnceForm):
    """The readings of all legs, and how long it was quiet."""

    quiet_min = NumberField(label="Watched without a message, minutes")
    message_shown = forms.BooleanField(label="The controller showed a message", required=False)
    coil_out = forms.BooleanField(label="The series coil is out", required=False)
    terminal_v = NumberField(label="Volts at the controller’s terminals", required=False)
    wet = forms.ChoiceField(
        label="The ground",
        required=False,
        choices=[("", "not looked at"), ("yes", "wet"), ("no", "dry")],
    )
    meter_name = forms.CharField(label="Which meter", required=False)
    note = forms.CharField(label="In a few words", required=False)

    def __init__(self, should: Expectations, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        legs = self.legs = should.legs
        if should.terminals is not None:
            by = _BASIS[should.terminals.basis]
            told = f"{should.terminals.volts:.1f} V or more, by {by}; all legs on."
            self.fields["terminal_v"].help_text = told
        for n, _ in enumerate(legs):
            for name, label in _READ:
                self.fields[f"{name}_{n}"] = NumberField(label=label, required=False)

    def leg_rows(self) -> Iterator[tuple[LegExpected, list[forms.BoundField]]]:
        """Each leg with its fields."""
        for n, leg in enumerate(self.legs):
            yield leg, [self[f"{name}_{n}"] for name, _ in _READ]

    def readings(self) -> ReturnReadings:
        """The test as the service takes it; a leg without a current was not read."""
        said = self.cleaned_data
        return ReturnReadings(
            legs=tuple(
                LegReading(leg.leg, **{name: said[f"{name}_{n}"] for name, _ in _READ})
                for n, leg in self._read()
            ),
            quiet_min=said["quiet_min"],
            message_shown=said["message_shown"],
            coil_out=said["coil_out"],
            terminal_v=said["terminal_v"],
            wet={"yes": True, "no": False}.get(said["wet"]),
            meter_name=said["meter_name"],
            note=said["note"],
        )

    def tell(self, problem: Problem) -> None:
        """Say a problem at the fields that it is about."""
        numbers = [n for n, _ in self._read()]
        problem_onto_rows(self, problem, lambda row, word: f"{word}_{numbers[row]}")

    def _read(self) -> list[tuple[int, LegExpected]]:
        said = self.cleaned_data
        return [
            (n, leg) for n, leg in enumerate(self.legs) if said.get(f"current_ma_{n}") is not None
        ]


def shown_expectations(path: WirePath) -> Expectations:
    """What a path may read, as it will be judged. Raises Conflict where the map cannot be
    predicted."""
    predicted = legs_predicted(path_network(path))
    should = legs_expected(path, predicted, Meter())
    legs = [
        LegExpected(
            one.leg,
            *one.expected.span_ma,
            _BASIS[one.basis],
            one.least.volts if one.least else None,
            _BASIS[one.least.basis] if one.least else "",
        )
        for one in should
    ]
    return Expectations(legs, terminals_least(predicted))


@require_http_methods(["GET", "HEAD", "POST"])
@page
def call_return_test(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Make the return test of a call that is *return-testing*."""
    refuse_readers(actor)
    call = call_get(public_id)
    if call.path is None:
        raise Conflict("The call names no two-wire path yet: say which one it is about first.")
    posted = request.POST if request.method == "POST" else None
    form = ReturnTestForm(shown_expectations(call.path), posted)
    if request.method != "POST":
        return _shown(request, call, form, 200)
    if not form.is_valid() or form.asks_really(
        leg_doubts(path_network(call.path), form.cleaned_data)
    ):
        return _shown(request, call, form, 422)
    try:
        test = _recorded_once(call, form, actor)
    except Problem as problem:
        form.tell(problem)
        return _shown(request, call_get(public_id), form, int(problem.status))
    if test.passed:
        messages.success(request, "The return test passed. The call can be closed on it.")
        for rise in rises_at([test])[test.pk]:
            messages.warning(request, rise.words)
    else:
        messages.warning(request, f"The return test did not pass: {'; '.join(test.failures)}.")
    return redirect("call", call.public_id)


def _recorded_once(call: FaultCall, form: ReturnTestForm, actor: Actor) -> ReturnTest:
    """The circuit is solved outside of a transaction, so two sendings at the same instant may
    both be kept: two equal rows, of which the newer one counts."""
    readings = form.readings()
    read = sorted((one.leg, one.current_ma) for one in readings.legs)
    since = return_test_list(call).filter(by_id=actor.public_id, at__gte=form.asked_since())
    for test in since:
        same_legs = sorted((leg.leg, leg.current_ma) for leg in test.legs.all()) == read
        if same_legs and test.quiet_min == readings.quiet_min and test.note == readings.note:
            return test
    return return_test_record(call=call, readings=readings, by=actor)


def _shown(
    request: HttpRequest, call: FaultCall, form: ReturnTestForm, status: int
) -> HttpResponse:
    context = {
        "call": call,
        "place": call.property,
        "form": form,
        "quiet_min": QUIET_MIN,
        "is_time": call.state == CallState.RETURN_TESTING,
        "left_lines": left_lines(left_on_path(call)),
    }
    return render(request, "faults/return_test.html", context, status=status)
