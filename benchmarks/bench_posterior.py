"""The fast posterior against the exact one, and the exact one against the dense solver.

Rows 0 to 199: a small rehearsal's readings, fast against exact, and a case of the dense solver's
own, exact against dense. Rows 200 to 219: the coil unknown, exact against sampling.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from faults.rehearsal.cases import Case, make_case
from faults.rehearsal.field import Field
from faults.rehearsal.play import blind_problem
from faults.tracing.exact import ExactPosterior, Quadrature, exact_posterior
from faults.tracing.posterior import Posterior
from faults.tracing.session import Session, begin
from tests.tracing.dense_bridge import APART, chances_by_place, engine_of
from tests.tracing.dense_cases import dense_case
from tests.tracing.dense_posterior import dense_posterior
from tests.tracing.dense_sampling import Effort, sampled_posterior

MOST_DEVICES = 9
FIRST_SAMPLED = 200
NO_FLOOR = 1e-300
KNOWN = Quadrature(resistances=160, scales=24, sound_scales=96)
UNKNOWN = Quadrature(resistances=64, scales=10, sound_scales=48, coils=161)
TIE = 0.01


def run_case(index: int) -> dict[str, Any]:
    """One row, by its index."""
    return _sampled_row(index) if index >= FIRST_SAMPLED else _compared_row(index)


def _compared_row(index: int) -> dict[str, Any]:
    case = _small_case(index)
    session = _played(case, readings=1 + index % 6)
    known = case.rehearsal.coil_known
    exact = exact_posterior(session.reckoner, session.state.evidence, KNOWN if known else UNKNOWN)
    return {
        "kind": "coil known" if known else "coil unknown",
        "total_variation": _total_variation(session.posterior, exact),
        "leaders_differ": float(_leaders_differ(session.posterior, exact)),
        "exact_minus_dense": _against_dense(index),
    }


def _small_case(index: int) -> Case:
    """The first small enough of every 200th case from this one on."""
    number = index
    while True:
        case = make_case("rehearsals", number)
        if len(case.rehearsal.survey.devices) <= MOST_DEVICES:
            return case
        number += 200


def _played(case: Case, *, readings: int) -> Session:
    field = Field(case.rehearsal)
    session = begin(blind_problem(case.rehearsal))
    while session.done is None and len(session.state.evidence.readings) < readings:
        session = session.observe(field.answer(session.step))
    return session


def _total_variation(fast: Posterior, exact: ExactPosterior) -> float:
    places = float(np.abs(fast.chance - exact.chance).sum())
    apart = sum(abs(getattr(fast.apart, name) - getattr(exact.apart, name)) for name in APART)
    return float(0.5 * (places + apart))


def _leaders_differ(fast: Posterior, exact: ExactPosterior) -> bool:
    return bool(exact.chance.max() - exact.chance[int(fast.chance.argmax())] > TIE)


def _against_dense(index: int) -> float:
    case = dense_case(index, coil_known=True)
    case = replace(case, known=replace(case.known, misread=NO_FLOOR))
    dense = dense_posterior(case.survey, case.observed, case.known)
    reckoner, evidence = engine_of(case)
    exact = exact_posterior(reckoner, evidence, Quadrature(320, 32, 96))
    ours = chances_by_place(reckoner, exact.chance, exact.apart)
    return float(max(abs(ours[place] - chance) for place, chance in dense.items()))


def _sampled_row(index: int) -> dict[str, Any]:
    case = dense_case(index, coil_known=False)
    sampled = sampled_posterior(
        case.survey, case.observed, case.known, Effort(batches=4, log2_points=11), index
    )
    reckoner, evidence = engine_of(case)
    exact = exact_posterior(reckoner, evidence, Quadrature(96, 16, 64, 201))
    ours = chances_by_place(reckoner, exact.chance, exact.apart)
    return {
        "kind": "coil unknown, by sampling",
        "difference": float(
            max(abs(ours[place] - chance) for place, chance in sampled.chance.items())
        ),
        "standard_error": float(max(sampled.error.values())),
    }
