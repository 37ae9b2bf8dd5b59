"""The state of a trace as a fold over its observations, whatever came when.

:class:`Fold` is a value: :meth:`Fold.after` gives the fold after one more entry. It goes exactly
as ``follow`` goes, with three things that a stored history needs besides:

* An entry that is not legal where it stands is *apart*: kept and not reckoned with, with the
  reason. So the fold is defined for any set of entries, also while some are still under way.
* An entry may withdraw another by name. It is a strike of the step that the other answered.
* The trace is done with its verdict. Readings after it count while the rig is as the verdict
  left it. From the first act on, the rig is being put back: what comes then moves *as left*
  alone, until a strike takes the verdict away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from faults.tracing.observations import (
    Alone,
    Cannot,
    Clamp,
    ClampSet,
    CloseJoints,
    FitCoil,
    Isolate,
    Message,
    Observation,
    OpenJoints,
    PathOff,
    Power,
    Reference,
    Restore,
    RunStation,
    Strike,
)
from faults.tracing.problem import TraceProblem
from faults.tracing.rig import ACTS, Rig, rig_after, rig_refusal
from faults.tracing.session import Refused, Session, begin
from faults.tracing.step import Verdict
from sites.network.faults import Place

_SOMEWHERE = Place("device", "")
_ONE_OF_EACH: tuple[Observation, ...] = (
    Power(on=True),
    OpenJoints(done=()),
    CloseJoints(done=()),
    Message(shown=False),
    FitCoil(fitted=True),
    Reference(current_ma=0.0),
    Clamp(node="", wire=None, current_ma=0.0),
    ClampSet(node="", readings=()),
    PathOff(node="", wire="", current_ma=0.0),
    Isolate(at=_SOMEWHERE),
    Restore(at=_SOMEWHERE),
    Alone(at=_SOMEWHERE, current_ma=0.0),
    RunStation(station=1, shown=False),
    Cannot(node=""),
    Strike(step=1),
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One observation under the name its client gave it; ``voids`` names what it withdraws."""

    name: str
    observation: Observation
    voids: str = ""


@dataclass(frozen=True, slots=True)
class Apart:
    """Why an entry is kept and not reckoned with; ``pointer`` is the field that stands against
    it."""

    name: str
    problem: str
    pointer: str


@dataclass(frozen=True)
class Fold:
    """A trace after some entries.

    ``session`` has everything that is reckoned with; ``after_end`` what came once the rig was
    being put back after the verdict; ``rig`` is the rig with that too. ``steps`` says which step
    each entry answered.
    """

    session: Session
    rig: Rig
    steps: tuple[tuple[str, int], ...] = ()
    after_end: tuple[Entry, ...] = ()
    apart: tuple[Apart, ...] = ()

    @property
    def verdict(self) -> Verdict | None:
        """How the trace ended, or None while there is a step to do."""
        return self.session.done

    def why_apart(self, name: str) -> Apart | None:
        """Why the entry of this name is apart; None where it is not."""
        return next((one for one in self.apart if one.name == name), None)

    def after(self, entry: Entry) -> Fold:
        """The fold after one more entry. Cost: one step of the engine; a strike, all steps."""
        if isinstance(entry.observation, Strike):
            return self._struck(entry, entry.observation)
        refusal = rig_refusal(self.rig, entry.observation, self.session.problem.path)
        if refusal is not None:
            return self._set_apart(entry, refusal.problem, refusal.pointer)
        is_word = entry.observation.do in ACTS or isinstance(entry.observation, Cannot)
        if self.verdict is not None and (is_word or self.after_end):
            return self._put_back(entry)
        return self._reckoned(entry)

    def target_of(self, strike: Strike) -> str:
        """The name of the entry that answered the step a strike names; empty where none did."""
        return next((name for name, step in self.steps if step == strike.step), "")

    def _reckoned(self, entry: Entry) -> Fold:
        try:
            session = self.session.observe(entry.observation)
        except Refused as refused:
            return self._set_apart(entry, refused.problem, refused.pointer)
        return replace(
            self,
            session=session,
            rig=session.state.rig,
            steps=(*self.steps, (entry.name, self.session.number)),
        )

    def _put_back(self, entry: Entry) -> Fold:
        rig = rig_after(self.rig, entry.observation, self.session.problem.path)
        return replace(self, rig=rig, after_end=(*self.after_end, entry))

    def _struck(self, entry: Entry, strike: Strike) -> Fold:
        if entry.voids:
            if any(one.name == entry.voids for one in self.after_end):
                rest = tuple(one for one in self.after_end if one.name != entry.voids)
                return self._with_after_end(self.session, rest)
            step = dict(self.steps).get(entry.voids)
            if step is None:
                return self._set_apart(
                    entry, f"There is no observation {entry.voids!r} to withdraw.", "/voids"
                )
            if all(told.struck for told in self.session.told if told.step == step):
                words = f"The observation {entry.voids!r} is withdrawn already."
                return self._set_apart(entry, words, "/voids")
            strike = replace(strike, step=step)
        try:
            session = self.session.observe(strike)
        except Refused as refused:
            pointer = "/voids" if entry.voids else refused.pointer
            return self._set_apart(entry, refused.problem, pointer)
        return self._with_after_end(session, self.after_end)

    def _with_after_end(self, session: Session, entries: tuple[Entry, ...]) -> Fold:
        """Another session, with what came after the end looked at anew."""
        fold = replace(self, session=session, rig=session.state.rig, after_end=())
        for entry in entries:
            fold = fold.after(entry)
        return fold

    def _set_apart(self, entry: Entry, problem: str, pointer: str) -> Fold:
        return replace(self, apart=(*self.apart, Apart(entry.name, problem, pointer)))


def fold_begin(problem: TraceProblem) -> Fold:
    """A trace before its first entry."""
    session = begin(problem)
    return Fold(session=session, rig=session.state.rig)


def fold_all(problem: TraceProblem, entries: Sequence[Entry]) -> Fold:
    """A trace after all entries, from the start."""
    fold = fold_begin(problem)
    for entry in entries:
        fold = fold.after(entry)
    return fold


def legal_dos(fold: Fold) -> list[str]:
    """What the field may tell now, by the table of legal steps."""
    path = fold.session.problem.path
    refusals = {one.do: rig_refusal(fold.rig, one, path) for one in _ONE_OF_EACH}
    # The state of the rig is looked at first, and what it forbids points to ``do``.
    return [do for do, refusal in refusals.items() if not refusal or refusal.pointer != "/do"]
