"""Design figures of hand-worked paths."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sites.network.design_check import design_figures
from sites.network.elements import Device, PathLimits, WirePath
from tests.network.named_networks import (
    AWG_14_LOOP_OHM_PER_M,
    BRANCHING,
    RING,
    field_path,
    network,
    with_open_joint,
)


def two_branches() -> WirePath:
    """24 V; N1 by 2 Ω; from there N2 by 4 Ω with 100 mA, N3 by 1 Ω with 500 mA, all constant.

    N1: 24 − 2·0.6 = 22.8 V; N2: 22.4 V; N3: 22.3 V.
    """
    path = network([((0, 1), 2.0), ((1, 2), 4.0), ((1, 3), 1.0)], [], source_v=24.0)
    far = Device("D2", "N2", "other", 100.0, model="knee", knee_v=1.0)
    low = Device("D3", "N3", "other", 500.0, model="knee", knee_v=1.0)
    return replace(path, devices=(far, low), trip_ma=700.0)


def test_farthest_and_lowest_are_told_apart() -> None:
    figures = design_figures(two_branches())
    assert figures.farthest is not None
    assert figures.lowest is not None
    assert (figures.farthest.device_id, figures.lowest.device_id) == ("D2", "D3")
    assert figures.farthest.voltage_v == pytest.approx(22.4, abs=1e-9)
    assert figures.lowest.voltage_v == pytest.approx(22.3, abs=1e-9)
    assert figures.farthest.cable_m == pytest.approx(6.0 / AWG_14_LOOP_OHM_PER_M)


def test_drops_by_segment_and_the_current() -> None:
    figures = design_figures(two_branches())
    assert [drop.drop_v for drop in figures.drops] == pytest.approx([1.2, 0.4, 0.5], abs=1e-9)
    assert figures.largest_drop is not None
    assert figures.largest_drop.segment_id == "S1"
    assert figures.controller_current_ma == pytest.approx(600.0, abs=1e-6)
    assert figures.broken_limits == ()


def test_broken_limits_name_what_breaks_them() -> None:
    path = replace(two_branches(), trip_ma=550.0, limits=PathLimits(22.5, 580.0))
    least, most, trip = design_figures(path).broken_limits
    assert (least.limit, least.allowed, least.device_ids) == ("min_device_v", 22.5, ("D3", "D2"))
    assert least.found == pytest.approx(22.3, abs=1e-9)
    assert (most.limit, most.allowed) == ("max_current_ma", 580.0)
    assert (trip.limit, trip.allowed) == ("trip_ma", 550.0)
    assert trip.found == most.found == pytest.approx(600.0, abs=1e-6)
    kept = replace(path, trip_ma=601.0, limits=PathLimits(22.2, 601.0))
    assert design_figures(kept).broken_limits == ()


def test_devices_cut_off_are_listed_and_not_counted_as_low() -> None:
    path = with_open_joint(field_path(BRANCHING), "S5", "from")
    path = replace(path, limits=PathLimits(min_device_v=20.0))
    figures = design_figures(path)
    assert figures.cut_off_device_ids == ("D5", "D6")
    assert figures.broken_limits == ()
    assert figures.lowest is not None
    assert figures.lowest.voltage_v > 20.0


def test_on_a_ring_the_shorter_way_counts() -> None:
    """S1 75 m; S2 110, S3 145 against S5 215, S4 180: N3 is 330 m out, N4 290, N5 540."""
    figures = design_figures(field_path(RING))
    assert figures.farthest is not None
    assert figures.farthest.device_id == "D5"
    assert figures.farthest.cable_m == pytest.approx(75.0 + 215.0 + 250.0)
    only_n3 = replace(
        field_path(RING), devices=tuple(d for d in field_path(RING).devices if d.id == "D3")
    )
    far = design_figures(only_n3).farthest
    assert far is not None
    assert far.cable_m == pytest.approx(75.0 + 110.0 + 145.0)


def test_of_parallel_segments_the_shorter_counts() -> None:
    path = network([((0, 1), 3.0), ((1, 0), 1.0), ((0, 1), 2.0)], [(1, 100.0)], source_v=24.0)
    far = design_figures(path).farthest
    assert far is not None
    assert far.cable_m == pytest.approx(1.0 / AWG_14_LOOP_OHM_PER_M)


def test_a_path_without_devices_or_segments() -> None:
    figures = design_figures(network([], [], source_v=24.0))
    assert (figures.farthest, figures.lowest, figures.largest_drop) == (None, None, None)
    assert figures.controller_current_ma == 0.0
