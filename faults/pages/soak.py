"""The form of a soak check on the page of its call: what it came to, and what was read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from django import forms

from core.pages.numbers import NumberField
from core.pages.problems import problem_onto_rows
from core.problems import Problem
from faults.models.call import FaultCall
from faults.models.repair import SoakCheck, SoakState
from faults.pages.doubts import AsksReally
from faults.pages.fields import SAY
from faults.selectors.repairs import RepairHold, repair_hold, soak_check_list
from faults.services.soak_checks import SoakLeg, SoakReadings
from faults.tracing.rig_places import legs_of
from sites.network_snapshot import path_network

_READ = (
    ("current_ma", "Current at the controller, mA"),
    ("far_v", "Volts at the far end"),
    ("insulation_mohm", "To earth, MΩ, path off"),
)
_ENDS = (SoakState.HELD, SoakState.FAILED, SoakState.DROPPED)


class SoakForm(AsksReally):
    """What a check came to; a leg with no reading was not read."""

    state = forms.ChoiceField(
        label="What it came to", choices=[SAY, *((one.value, one.label) for one in _ENDS)]
    )
    note = forms.CharField(label="In a few words", required=False, max_length=450)
    terminal_v = NumberField(label="Volts at the controller’s terminals", required=False)
    wet = forms.ChoiceField(
        label="The ground",
        required=False,
        choices=[("", "not looked at"), ("yes", "wet"), ("no", "dry")],
    )
    meter = forms.CharField(label="Which meter", required=False, max_length=120)

    def __init__(self, check: SoakCheck, data: Mapping[str, Any] | None = None) -> None:
        super().__init__(data, auto_id=f"{check.public_id}_%s")
        path = check.repair.call.path
        self.check = check
        self.legs = legs_of(path_network(path)) if path is not None else ()
        for n, _ in enumerate(self.legs):
            for name, label in _READ:
                self.fields[f"{name}_{n}"] = NumberField(label=label, required=False)

    def leg_rows(self) -> Iterator[tuple[str, list[forms.BoundField]]]:
        """Each leg with its fields."""
        for n, leg in enumerate(self.legs):
            yield leg, [self[f"{name}_{n}"] for name, _ in _READ]

    def readings(self) -> SoakReadings:
        """What was read, as the service takes it."""
        said = self.cleaned_data
        return SoakReadings(
            legs=tuple(
                SoakLeg(self.legs[n], **{name: said.get(f"{name}_{n}") for name, _ in _READ})
                for n in self._read()
            ),
            terminal_v=said["terminal_v"],
            wet={"yes": True, "no": False}.get(said["wet"]),
            meter=said["meter"],
        )

    def tell(self, problem: Problem) -> None:
        """Say a problem at the fields that it is about."""
        numbers = self._read()
        problem_onto_rows(self, problem, lambda row, word: f"{word}_{numbers[row]}")

    def _read(self) -> list[int]:
        said = self.cleaned_data
        return [
            n
            for n, _ in enumerate(self.legs)
            if any(said.get(f"{name}_{n}") is not None for name, _ in _READ)
        ]


def soak_forms(
    call: FaultCall, told: SoakForm | None = None
) -> list[tuple[SoakCheck, RepairHold, SoakForm]]:
    """The open checks of a call, each with how its repair has held and its form."""
    return [
        (
            check,
            repair_hold(check.repair),
            told if told is not None and told.check == check else SoakForm(check),
        )
        for check in soak_check_list().filter(repair__call=call)
    ]
