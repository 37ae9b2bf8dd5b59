"""What the person's hands have changed, and what may not be done in that state."""

from __future__ import annotations

from dataclasses import dataclass, field

from tests.second_field.places import Place


class Refusal(Exception):
    """Why the person does not do what was asked; `node` where it was."""

    def __init__(self, why: str, node: str | None = None) -> None:
        super().__init__(why)
        self.node = node


@dataclass(slots=True)
class Hands:
    """Power (None: as found, on), the coil, and the places taken out of the path."""

    power: bool | None = None
    coil_in: bool = False
    isolated: set[Place] = field(default_factory=set)

    @property
    def warming(self) -> bool:
        """Whether current flows through the coil."""
        return bool(self.power) and self.coil_in

    def may_reach_in(self) -> None:
        """For all that is done with bare hands in the controller or at a joint."""
        if self.power:
            raise Refusal("the power is on: no hands in before it is off and proved dead")

    def may_look(self) -> None:
        """For a look at the message."""
        if self.coil_in:
            raise Refusal("with the coil in the controller cannot show its message")
        if self.power is False:
            raise Refusal("the power is off")

    def may_clamp(self) -> None:
        """For a reading on the energised path."""
        if not self.coil_in:
            raise Refusal("without the coil the controller cuts a faulted path off")
        if not self.power:
            raise Refusal("the power is off")

    def may_work_on_path(self) -> None:
        """For isolating and restoring: power off, or held low by the coil."""
        if self.power and not self.coil_in:
            raise Refusal("the path is energised without the coil: power off first")
