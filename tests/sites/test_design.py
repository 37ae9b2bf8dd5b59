from __future__ import annotations

import pytest

from core.accounts.actor import Actor
from core.problems import Conflict
from sites.models import Controller
from sites.network.conductors import loop_ohm_per_km
from sites.selectors.design import path_design_figures
from sites.services.path_imports import path_import, path_reimport
from tests.sites.surveys import straight_survey


def test_figures_are_those_of_the_revision_asked_for(controller: Controller, by: Actor) -> None:
    """One resistor of 28 V / 1 A behind 0.4 Ω and 31.5 m of cable: worked by hand."""
    survey = straight_survey(1)
    survey["path"] |= {"source_ohm": [0.4, 0.0], "limits": {"min_device_v": 28.0}}
    survey["devices"][0]["draw_ma"] = 1000.0
    path = path_import(controller=controller, survey=survey, by=by).path
    assert path is not None
    idle = {**survey, "devices": []}
    path_reimport(path=path, base_revision=1, survey=idle, by=by)

    figures = path_design_figures(path, 1)
    total_ohm = 28.0 + 0.4 + loop_ohm_per_km("AWG 14") * 0.0315
    assert figures.controller_current_ma == pytest.approx(28_000.0 / total_ohm, rel=1e-9)
    assert figures.lowest is not None
    assert figures.lowest.voltage_v == pytest.approx(28.0 * 28.0 / total_ohm, rel=1e-9)
    assert [broken.limit for broken in figures.broken_limits] == ["min_device_v"]

    assert path_design_figures(path).controller_current_ma == pytest.approx(0.0, abs=1e-9)


def test_a_path_that_cannot_rest_is_told(controller: Controller, by: Actor) -> None:
    survey = straight_survey(1)
    survey["path"]["source_ohm"] = [100.0, 0.0]
    survey["devices"][0] |= {"draw_ma": 10_000.0, "model": "power"}
    path = path_import(controller=controller, survey=survey, by=by).path
    assert path is not None
    with pytest.raises(Conflict, match="cannot be solved"):
        path_design_figures(path)
