"""Colours and classes of the drawn path."""

from __future__ import annotations

from itertools import pairwise

import pytest

from sites.network.drawing_palette import (
    DARK,
    LIGHT,
    WIDTHS,
    CurrentClasses,
    Palette,
    contrast,
)


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
class TestPalette:
    def test_text_and_signs_can_be_told_from_the_ground(self, palette: Palette) -> None:
        """Contrast of WCAG 2.2: 1.4.3 text 4.5, 1.4.11 graphics 3."""
        for ink in (palette.ink, palette.faint_ink):
            assert contrast(ink, palette.ground) >= 4.5
        assert contrast(palette.on_mark, palette.mark) >= 4.5
        for colour in (palette.unknown, palette.mark, *palette.currents):
            assert contrast(colour, palette.ground) >= 3.0

    def test_stronger_currents_stand_out_more_in_grey_too(self, palette: Palette) -> None:
        steps = [contrast(colour, palette.ground) for colour in palette.currents]
        assert all(later > earlier * 1.1 for earlier, later in pairwise(steps))


def test_contrast_of_black_on_white_is_21() -> None:
    """WCAG 2.2: black on white is 21:1; #767676 is the lightest grey of 4.5:1 on white (MEM)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


def test_classes_by_hand() -> None:
    classes = CurrentClasses.of({"S1": 200.0, "S2": 3.9})
    found = [classes.index(ma) for ma in (0.0, 3.9, 4.0, 49.9, 50.0, 100.0, 150.0, 200.0)]
    assert found == [0, 0, 1, 1, 2, 3, 4, 4]
    assert CurrentClasses.of({"S1": 0.0}).index(0.0) == 0
    assert len(WIDTHS) == len(classes.texts()) == 5
