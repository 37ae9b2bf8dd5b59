"""From the dense solver's plain data to the engine's objects, and back."""

from __future__ import annotations

from faults.tracing.assumptions import Assumptions
from faults.tracing.evidence import CableCount, CurrentReading, Evidence, MessageLook
from faults.tracing.posterior import Apart
from faults.tracing.problem import Meter as EngineMeter
from faults.tracing.problem import PlacePrior, TraceProblem
from faults.tracing.reckoner import Reckoner
from faults.tracing.tree_view import build_tree_view
from sites.forms.survey import read_survey, survey_document
from sites.network.faults import Place
from tests.tracing.dense_cases import DenseCase
from tests.tracing.dense_network import Document, Floats
from tests.tracing.dense_posterior import Known, Observed
from tests.tracing.dense_posterior import Place as PlainPlace
from tests.tracing.dense_readings import Meter

APART = ("none", "controller", "overload", "hidden", "other")


def engine_of(case: DenseCase) -> tuple[Reckoner, Evidence]:
    """The engine's reckoner and evidence for a plain case."""
    known, observed = case.known, case.observed
    path = read_survey(case.survey)
    meter = known.meter
    problem = TraceProblem(
        path=path,
        coil_ohm=known.coil_ohm,
        meter=EngineMeter(meter.percent, meter.counts, meter.resolution_ma),
        priors=tuple(
            PlacePrior(Place(*at), weight)  # type: ignore[arg-type]
            for at, weight in known.priors.items()
        ),
    )
    evidence = Evidence(
        readings=tuple(CurrentReading(**row) for row in observed.readings),
        looks=tuple(
            MessageLook(k["shown"], None if k["legs_on"] is None else frozenset(k["legs_on"]))
            for k in observed.looks
        ),
        counts=tuple(CableCount(**row) for row in observed.counts),
        no_stray=frozenset(observed.no_stray),
    )
    beliefs = Assumptions(misread_message=known.misread)
    return Reckoner(problem, build_tree_view(path), beliefs), evidence


def plain_of(
    problem: TraceProblem, evidence: Evidence, joints_open: frozenset[tuple[str, str]]
) -> tuple[Document, Observed, Known]:
    """What the dense solver takes, for a trace of the engine."""
    survey = survey_document(problem.path)
    opened = dict(joints_open)
    for row in survey["segments"]:
        end = opened.get(row["id"])
        if end is not None:
            row["joint_open"] = True if end == "to" else "from"
    observed = Observed(
        readings=tuple(
            {
                "kind": r.kind,
                "node": r.node,
                "wire": r.wire,
                "current_ma": r.current_ma,
                "at_min": r.at_min,
            }
            for r in evidence.readings
        ),
        looks=tuple(
            {"shown": k.shown, "legs_on": None if k.legs_on is None else sorted(k.legs_on)}
            for k in evidence.looks
        ),
        counts=tuple({"node": c.node, "seen": c.seen} for c in evidence.counts),
        no_stray=tuple(sorted(evidence.no_stray)),
    )
    meter = problem.meter
    known = Known(
        coil_ohm=problem.coil_ohm,
        meter=Meter(meter.percent, meter.counts, meter.resolution_ma),
        priors={(p.at.kind, p.at.id): p.weight for p in problem.priors},
    )
    return survey, observed, known


def chances_by_place(reckoner: Reckoner, chance: Floats, apart: Apart) -> dict[PlainPlace, float]:
    """The engine's chances under the dense solver's names."""
    places = reckoner.hypotheses.places
    made: dict[PlainPlace, float] = {
        (place.kind, place.id): float(value) for place, value in zip(places, chance, strict=True)
    }
    return made | {(name, ""): float(getattr(apart, name)) for name in APART}
