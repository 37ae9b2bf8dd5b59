"""What a crowded drawing costs: bounded by cells, boxes and labels that are tried."""

from __future__ import annotations

from collections.abc import Iterator
from xml.etree.ElementTree import Element

import pytest

from sites.network.drawing_geometry import Course, Occupied, line_step
from sites.network.drawing_text import MOST_MISSED, Label, put_labels


def test_in_a_crowded_cell_nothing_is_free_and_no_more_is_kept() -> None:
    occupied = Occupied(640.0, 640.0)
    beside, elsewhere = (50.0, 50.0, 60.0, 60.0), (300.0, 300.0, 310.0, 310.0)
    for count in range(200):
        assert occupied.is_free(beside) == (count < 64)
        occupied.take((33.0, 33.0, 34.0, 34.0))
    assert occupied.is_free(elsewhere)
    assert [len(boxes) for boxes in occupied._cells.values()] == [64]


def test_very_much_line_is_marked_in_fewer_boxes() -> None:
    few = [Course((0.0, 0.0), (1000.0, 0.0), (2000.0, 0.0))] * 100
    assert line_step(few) == 6.0
    assert line_step([]) == 6.0
    # 20,000 lines of 2,000 units at 6 units a box would be 6.7 million boxes.
    assert 2000.0 / line_step(few * 200) * 20_000 == pytest.approx(200_000)


def test_after_thousands_of_labels_without_room_no_more_are_tried() -> None:
    tried = 0

    def labels() -> Iterator[Label]:
        nonlocal tried
        for at in range(3 * MOST_MISSED):
            tried += 1
            yield Label(text="here", spots=[(50.0, 50.0)] if at == 7 else [(-50.0, 50.0)])

    parent = Element("g")
    assert put_labels(parent, labels(), Occupied(100.0, 100.0)) == 1
    assert tried == MOST_MISSED + 1
    assert [text.text for text in parent] == ["here"]
