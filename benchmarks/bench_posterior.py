"""The fast posterior against the exact one, and the exact one against others.

``posterior-dense``: the two hundred cases of the dense solver of the tests, coil known, to a
billionth. ``posterior``, rows 0 to 199: the readings of a small rehearsal, fast against exact, and
every fortieth also exact against the dense solver, which takes minutes each where the coil is
unknown. Rows 200 to 219: the coil unknown, exact against sampling.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from benchmarks.report import percent, table
from benchmarks.runner import Row
from faults.rehearsal.cases import Case, make_case
from faults.rehearsal.field import Field
from faults.rehearsal.play import blind_problem
from faults.tracing.exact import Quadrature, exact_posterior
from faults.tracing.session import Session, begin
from faults.tracing.tree_view import loop_joints
from tests.tracing.dense_bridge import chances_by_place, plain_of
from tests.tracing.dense_cases import dense_case
from tests.tracing.dense_comparison import BILLIONTH, apart_by, dense_and_exact_differ_by
from tests.tracing.dense_comparison import exact as exact_chances
from tests.tracing.dense_posterior import Nodes, Place, dense_posterior
from tests.tracing.dense_sampling import sampled_within

SMALL_CASES = 200
DENSE_EVERY = 40
MOST_DEVICES = 9
MOST_READINGS = 6
TIE = 0.01
"""Leaders whose exact chances are this close are as good as each other."""

KNOWN = Quadrature(resistances=160, scales=64, sound_scales=120)
UNKNOWN = Quadrature(resistances=64, scales=24, sound_scales=100, coils=241)
DENSE = Nodes(scale_panels=8, tolerance=1e-8, floor=1e-10)
STANDARD_ERROR = 2.5e-4


def run_case(index: int) -> Row:
    """One row, by its index."""
    if index >= SMALL_CASES:
        return _sampled_row(index)
    return fast_against_exact(index, is_dense_too=index % DENSE_EVERY == 0)


def fast_against_exact(index: int, *, is_dense_too: bool = False) -> Row:
    """Total variation between the fast posterior and the exact one after some readings."""
    case = _small_case(index)
    readings = int(np.random.default_rng([107, index]).integers(1, MOST_READINGS + 1))
    session = _played(case, readings)
    evidence, problem = session.state.evidence, session.problem
    known = problem.coil_ohm is not None
    found = exact_posterior(session.reckoner, evidence, KNOWN if known else UNKNOWN)
    exact = chances_by_place(session.reckoner, found.chance, found.apart)
    fast = chances_by_place(session.reckoner, session.posterior.chance, session.posterior.apart)
    row = {
        "kind": "coil known" if known else "coil unknown",
        "case": case.name,
        "devices": len(problem.path.devices),
        "readings": len(evidence.readings),
        "total_variation": 0.5 * sum(abs(fast[place] - exact[place]) for place in exact),
        "same_leader": _same_leader(fast, exact),
    }
    if is_dense_too:
        opened = session.state.rig.joints_open
        opened |= frozenset(loop_joints(problem.path, joints_open=opened))
        dense = dense_posterior(*plain_of(problem, evidence, opened), DENSE)
        row["exact_minus_dense"] = apart_by(exact, dense)
    return row


def run_dense(index: int) -> Row:
    """One case of the dense solver's own, exact against dense."""
    case = dense_case(index)
    return {
        "readings": len(case.observed.readings),
        "devices": len(case.survey["devices"]),
        "difference": dense_and_exact_differ_by(index),
    }


def dense_section(rows: list[Row]) -> str:
    """How far they are apart."""
    apart = sorted(row["difference"] for row in rows)
    within = sum(one <= BILLIONTH for one in apart)
    return (
        f"Exact against an independent dense solver with quadrature, coil known, looks without a "
        f"floor: {within} of {len(rows)} cases within 1e-9 in every chance; largest difference "
        f"{apart[-1]:.1e}, median {apart[len(apart) // 2]:.1e}."
    )


def _small_case(index: int) -> Case:
    """The first small enough of every 200th rehearsal from this one on."""
    number = index
    while True:
        case = make_case("rehearsals", number)
        if len(case.rehearsal.survey.devices) <= MOST_DEVICES:
            return case
        number += SMALL_CASES


def _played(case: Case, readings: int) -> Session:
    """The trace after so many readings, or at its end; each is folded in as it comes."""
    field = Field(case.rehearsal)
    session = begin(blind_problem(case.rehearsal))
    while session.done is None and len(session.state.evidence.readings) < readings:
        session = session.observe(field.answer(session.step))
    return session


def _same_leader(fast: Mapping[Place, float], exact: Mapping[Place, float]) -> bool:
    leader = max(fast, key=lambda place: fast[place])
    return max(exact.values()) - exact[leader] <= TIE


def _sampled_row(index: int) -> Row:
    case = dense_case(index, coil_known=False)
    sampled = sampled_within(case.survey, case.observed, case.known, STANDARD_ERROR, index)
    return {
        "kind": "sampling",
        "readings": len(case.observed.readings),
        "exact_minus_sampled": apart_by(exact_chances(case, UNKNOWN), sampled.chance),
        "standard_error": max(sampled.error.values()),
    }


def posterior_section(rows: list[Row]) -> str:
    """Total variation by what is known of the coil; the largest differences from the others."""
    compared = [row for row in rows if "total_variation" in row]
    sampled = [row for row in rows if "standard_error" in row]
    parts = []
    if compared:
        kinds = ["coil known", "coil unknown"]
        groups = [(kind, [row for row in compared if row["kind"] == kind]) for kind in kinds]
        head = ("fast against exact", "cases", "mean", "p95", "largest", "same leader")
        body = [_variation_line(kind, group) for kind, group in [*groups, ("all", compared)]]
        far = [_worst(group, "exact_minus_dense") for _, group in groups]
        against = sum("exact_minus_dense" in row for row in compared)
        parts = [
            (
                "Total variation distance between the fast posterior and the exact one, after 1 to "
                f"{MOST_READINGS} readings of a rehearsal of at most {MOST_DEVICES} devices."
            ),
            table(head, body),
            (
                f"Exact against dense on the readings of {against} of them, largest difference of "
                f"a chance: {far[0]} with the coil known, {far[1]} unknown (the floor of a look's "
                "chance puts a kink into the integrand; the tests compare without it, to 1e-9)."
            ),
        ]
    if sampled:
        parts.append(
            f"Exact against sampling, coil unknown, {len(sampled)} cases: largest difference of a "
            f"chance {_worst(sampled, 'exact_minus_sampled')}, largest standard error of the "
            f"sampling {_worst(sampled, 'standard_error')}."
        )
    return "\n\n".join(parts) or "No rows."


def _variation_line(kind: str, rows: list[Row]) -> tuple[object, ...]:
    if not rows:
        return (kind, 0, "", "", "", "")
    values = [row["total_variation"] for row in rows]
    same = sum(bool(row["same_leader"]) for row in rows)
    figures = (np.mean(values), np.quantile(values, 0.95), max(values))
    told = f"{same} of {len(rows)} ({percent(same / len(rows))})"
    return (kind, len(rows), *(f"{figure:.4f}" for figure in figures), told)


def _worst(rows: list[Row], name: str) -> str:
    values = [row[name] for row in rows if name in row]
    return f"{max(values):.1e}" if values else "none"
