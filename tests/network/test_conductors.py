"""Conductor tables against published ones; sources in tests/data/checks_network.json, A1."""

from __future__ import annotations

import pytest

from sites.network.conductors import (
    AWG_GAUGES,
    CONDUCTORS,
    awg_area_mm2,
    awg_diameter_mm,
    conductor_ohm_per_km,
    loop_ohm_per_km,
    temperature_factor,
)
from sites.network.errors import NetworkError, UnknownElement
from tests.network.checks import expected

KFT_PER_KM = 1.0 / 0.3048
A1 = expected("A1")


@pytest.mark.parametrize("gauge", AWG_GAUGES)
def test_awg_follows_astm_b258_and_iec_60028(gauge: int) -> None:
    row = A1["awg"][str(gauge)]
    assert awg_diameter_mm(gauge) == pytest.approx(row["d_mm"], rel=1e-8)
    assert awg_area_mm2(gauge) == pytest.approx(row["area_mm2"], rel=1e-8)
    assert conductor_ohm_per_km(f"AWG {gauge}") == pytest.approx(row["R20_ohm_per_km"], rel=1e-8)


@pytest.mark.parametrize("gauge", AWG_GAUGES)
def test_awg_at_75_c_agrees_with_the_nec_table(gauge: int) -> None:
    row = A1["awg"][str(gauge)]
    per_kft = conductor_ohm_per_km(f"AWG {gauge}", 75.0) / KFT_PER_KM
    assert per_kft == pytest.approx(row["R75_ohm_per_kft_from_alpha20"], rel=1e-8)
    printed = row["NEC_T8_uncoated_solid_75C_ohm_per_kft"]
    assert per_kft == pytest.approx(printed, rel=4e-3)


@pytest.mark.parametrize("gauge", AWG_GAUGES)
def test_awg_in_thousands_of_feet_and_circular_mils(gauge: int) -> None:
    """ASTM B258 and IEC 60028 again, in the units of the trade's tables."""
    row = A1["awg"][str(gauge)]
    per_kft = conductor_ohm_per_km(f"AWG {gauge}") / KFT_PER_KM
    assert per_kft == pytest.approx(row["R20_ohm_per_kft"], rel=1e-8)
    assert awg_diameter_mm(gauge) / 25.4 == pytest.approx(row["d_in"], rel=1e-8)
    mil_mm = 0.0254
    assert (awg_diameter_mm(gauge) / mil_mm) ** 2 == pytest.approx(row["cmil"], rel=1e-8)


# NEC chapter 9 table 8, its metric columns as printed (read): area in mm², ohms per km at 75 °C,
# solid and of 7 strands. Ours are solid; strands are longer than the cable, by some 2 %.
NEC_METRIC = [
    (10, 5.261, None, None),
    (12, 3.31, 6.34, 6.50),
    (14, 2.08, 10.1, 10.3),
    (16, 1.31, 16.0, 16.4),
    (18, 0.823, 25.5, 26.1),
]


@pytest.mark.parametrize(("gauge", "area_mm2", "solid", "stranded"), NEC_METRIC)
def test_awg_agrees_with_the_metric_columns_of_the_nec_table(
    gauge: int, area_mm2: float, solid: float | None, stranded: float | None
) -> None:
    assert awg_area_mm2(gauge) == pytest.approx(area_mm2, rel=2e-3)
    at_75 = conductor_ohm_per_km(f"AWG {gauge}", 75.0)
    of_solid, of_stranded = A1["awg"][str(gauge)]["NEC_ohm_per_km"]
    assert at_75 == pytest.approx(of_solid, rel=4e-3)
    assert 1.01 < of_stranded / at_75 < 1.03
    if solid is not None:
        assert at_75 == pytest.approx(solid, rel=4e-3)
        assert at_75 < stranded


# An older printed wire table at 25 °C, ohms per 1,000 ft (read; no title known).
@pytest.mark.parametrize(("gauge", "per_kft"), [(14, 2.573), (16, 4.091), (18, 6.505)])
def test_awg_at_25_c_agrees_with_an_older_table(gauge: int, per_kft: float) -> None:
    assert conductor_ohm_per_km(f"AWG {gauge}", 25.0) / KFT_PER_KM == pytest.approx(
        per_kft, rel=1e-3
    )


@pytest.mark.parametrize("size", ["1.5", "2.5", "4", "6"])
def test_metric_sizes_are_the_iec_60228_class_1_maxima(size: str) -> None:
    printed = A1["iec60228_class1_2_plain_max_ohm_per_km_20C"][size]
    assert conductor_ohm_per_km(f"{size} mm2") == printed


def test_temperature_scales_every_conductor_alike() -> None:
    assert temperature_factor(75.0) == pytest.approx(A1["temp"]["factor_20_to_75"], rel=1e-12)
    for name in CONDUCTORS:
        ratio = conductor_ohm_per_km(name, -5.0) / conductor_ohm_per_km(name, 20.0)
        assert ratio == pytest.approx(1.0 - 25.0 * 0.00393, rel=1e-12)
        assert loop_ohm_per_km(name, 31.0) == 2.0 * conductor_ohm_per_km(name, 31.0)


def test_the_coefficient_at_75_c_is_that_of_the_nec_note() -> None:
    """0.00393 at 20 °C is 0.0032315 at 75 °C; the table's note uses 0.00323 (from memory)."""
    at_75 = temperature_factor(76.0) / temperature_factor(75.0) - 1.0
    assert at_75 == pytest.approx(A1["temp"]["alpha75"], rel=1e-9)
    assert at_75 == pytest.approx(0.00323, abs=5e-6)


# IEC 60228, annex: factors to 20 °C as printed, kt = 1/(1 + 0.004 (t - 20)) (read); ours takes
# copper's 0.00393 of IEC 60028, which is half a percent less at most.
@pytest.mark.parametrize(
    ("temp_c", "kt"), [(5, 1.064), (30, 0.962), (50, 0.893), (75, 0.820), (90, 0.781)]
)
def test_temperature_agrees_with_the_factors_of_iec_60228(temp_c: float, kt: float) -> None:
    assert 1.0 / temperature_factor(temp_c) == pytest.approx(kt, rel=5e-3)


def test_there_are_nine_conductors() -> None:
    awg = [f"AWG {gauge}" for gauge in (10, 12, 14, 16, 18)]
    assert [*awg, "1.5 mm2", "2.5 mm2", "4 mm2", "6 mm2"] == list(CONDUCTORS)


@pytest.mark.parametrize("name", ["AWG 13", "awg 14", "2.5", "", "2.5mm2"])
def test_an_unknown_conductor_is_named(name: str) -> None:
    with pytest.raises(UnknownElement, match="conductor") as caught:
        conductor_ohm_per_km(name)
    assert caught.value.element_id == name
    assert isinstance(caught.value, NetworkError)
