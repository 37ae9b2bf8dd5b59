"""Histories as documents: read, refused with every defect, and printed by the command."""

from __future__ import annotations

import contextlib
import copy
import json
import re
from io import StringIO
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from django.core.management import call_command
from hypothesis import assume, given
from hypothesis import strategies as st

from faults.forms.histories import histories_defects, read_histories
from faults.management.statistics_lines import assessment_lines
from faults.recurrence.assess import assess
from faults.recurrence.drawing import Bars, Curve, Marks, Plot, plot_svg
from faults.recurrence.same_place import SamePlace
from sites.forms.defects import FormDefects
from sites.forms.load import load_document
from tests.recurrence.published import CASE_STUDY

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo" / "histories.json"
CASE: dict[str, Any] = {
    "format": "clampline-histories/1",
    "time_unit": "hours",
    "watched": [0, 1500],
    "places": [{"id": "system", "kind": "other"}],
    "failures": [{"place": "system", "at": at} for at in CASE_STUDY],
}
PATH: dict[str, Any] = {
    "format": "clampline-histories/1",
    "watched": [0, 1000],
    "off": [[300, 400]],
    "wet": [[100, 200]],
    "levels": ["property", "wire path"],
    "path_level": "wire path",
    "places": [
        {"id": "N1", "kind": "splice", "groups": ["P", "W"], "fitted": [20]},
        {"id": "N2", "kind": "splice", "groups": ["P", "W"]},
        {
            "id": "S1",
            "kind": "segment",
            "length_m": 40,
            "groups": ["P", "W"],
            "between": ["N1", "N2"],
        },
        {"id": "D1", "kind": "device", "groups": ["P", "W"], "between": ["N2"]},
    ],
    "failures": [
        {"place": "N1", "at": 120, "crew": "Ash", "renewed": True},
        {"place": "S1", "at": 150, "fraction": 0.2},
        {"place": "D1", "at": 700},
    ],
    "questions": {
        "same_place": {"rule": "metres", "reach": 10},
        "costs": {"renewal": 10, "failure": 3},
        "seed": 3,
    },
}  # fmt: skip


def bent(pointer: str, value: Any) -> dict[str, Any]:
    """PATH with a value put at a pointer; None takes away what is there."""
    document = copy.deepcopy(PATH)
    *way, last = pointer.strip("/").split("/")
    inner: Any = document
    for step in way:
        inner = inner[int(step)] if isinstance(inner, list) else inner[step]
    key: Any = int(last) if isinstance(inner, list) else last
    if value is None:
        del inner[key]
    else:
        inner[key] = value
    return document


def became(old: str, new: str, share: float) -> dict[str, Any]:
    return {"old": old, "new": [{"place": new, "share": share}]}


def test_a_document_is_read() -> None:
    history, questions = read_histories(PATH)
    assert [place.amount for place in history.places] == [1.0, 1.0, 40.0, 1.0]
    assert history.places[2].between == (0, 1)
    assert history.path_level == 1
    assert history.failures[1].fraction == 0.2
    assert questions.rule == SamePlace("metres", 10.0)
    assert (questions.seed, questions.q) == (3, 0.05)


@pytest.mark.parametrize(
    ("pointer", "value", "told_at", "told"),
    [
        ("/format", "clampline-histories/2", "/format", "is not"),
        ("/watched", [5], "/watched", "1 entries"),
        ("/watched", [1000, 0], "/watched", "from 1000 to 0"),
        ("/off/0", [400, 300], "/off/0", "from 400 to 300"),
        ("/path_level", "cable", "/path_level", "is not a level"),
        ("/places/1/id", "N1", "/places/1/id", "is given at /places/0 already"),
        ("/places/0/groups", ["P"], "/places/0/groups", "1 groups for 2 levels"),
        ("/places/0/length_m", 3, "/places/0/length_m", "a splice has no length"),
        ("/places/2/length_m", None, "/places/2/length_m", "is missing"),
        ("/places/2/between", ["N1"], "/places/2/between", "1 splices"),
        ("/places/2/between", ["N1", "D1"], "/places/2/between/1", "is not a splice"),
        ("/failures/0/place", "N9", "/failures/0/place", "there is no place"),
        ("/failures/0/at", 1200, "/failures/0/at", "outside the watch"),
        ("/failures/0/at", "soon", "/failures/0/at", "is not a number"),
        ("/failures/0/fraction", 0.5, "/failures/0/fraction", "a splice has no fraction"),
        ("/places/0/off", [[0, 150]], "/failures/0/at", "was not energised before"),
        ("/lineage", [became("N9", "N1", 1)], "/lineage/0/old", "there is no place"),
        ("/lineage", [became("N1", "N2", 0.5)], "/lineage/0/new", "sum to 0.5"),
        ("/lineage", [became("N1", "N1", 1)], "/lineage/0/new", "becomes itself"),
        ("/questions/q", 1.5, "/questions/q", "too large"),
        ("/questions/costs", {"renewal": 1}, "/questions/costs/failure", "is missing"),
        ("/questions/quickly", True, "/questions/quickly", "is not known here"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_told_where_it_is(
    pointer: str, value: Any, told_at: str, told: str
) -> None:
    with pytest.raises(FormDefects) as caught:
        read_histories(bent(pointer, value))
    found = {defect.pointer: defect.what for defect in caught.value.defects}
    assert told_at in found
    assert told in found[told_at]


@given(
    st.sampled_from([f"/places/{i}/{k}" for i in range(4) for k in ("kind", "groups", "between")]
                    + [f"/failures/{i}/{k}" for i in range(3) for k in ("at", "place")]
                    + ["/watched", "/off", "/wet", "/levels", "/questions", "/lineage"]),
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=3)
    | st.lists(st.integers() | st.text(max_size=2), max_size=3),
)  # fmt: skip
def test_any_document_is_read_or_refused(pointer: str, value: Any) -> None:
    # None takes a member away: only what is there can be taken.
    inner: Any = PATH
    for step in pointer.strip("/").split("/")[:-1]:
        inner = inner[int(step)] if isinstance(inner, list) else inner[step]
    assume(value is not None or pointer.rpartition("/")[2] in inner)
    defects: list[object] = []
    document = bent(pointer, value)
    with contextlib.suppress(FormDefects):
        defects = histories_defects(document)
        history, _ = read_histories(document)
        assert not defects
        assert history.places


def test_the_case_study_by_the_command(tmp_path: Path) -> None:
    """The handbook's figures as they are printed."""
    file = tmp_path / "case.json"
    file.write_text(json.dumps(CASE), encoding="utf-8")
    out = StringIO()
    call_command("statistics", file, stdout=out)
    told = out.getvalue()
    assert "trend: Laplace -1.326949" in told
    assert "MIL-HDBK-189 χ² 37.228081, 20 degrees" in told
    assert "beta 0.5372 (0.2576 to 0.9178), without bias 0.483506, lambda 0.196658" in told


def test_defects_end_the_command_with_status_two(tmp_path: Path) -> None:
    file = tmp_path / "case.json"
    file.write_text(json.dumps({**CASE, "watched": [0, 100]}), encoding="utf-8")
    err = StringIO()
    with pytest.raises(SystemExit) as left:
        call_command("statistics", file, stdout=StringIO(), stderr=err)
    assert left.value.code == 2
    assert err.getvalue().count("is outside the watch") == 7


@pytest.mark.slow
def test_the_demo_is_told_unit_by_unit_with_plots(tmp_path: Path) -> None:
    """The hollow on the Mill Race path and the crew whose repairs do not hold are found."""
    out = StringIO()
    call_command("statistics", DEMO, svg=tmp_path / "plots", stdout=out)
    told = out.getvalue()
    stretches = re.findall(r"^  (.*) path: .*TROUBLE STRETCH$", told, re.MULTILINE)
    assert stretches == ["Mill Race"]
    beyond = re.findall(r"^  (\w+): .*BEYOND", told, re.MULTILINE)
    assert beyond == ["Birch"]
    history, _ = read_histories(load_document(DEMO))
    # The segment that was cut lives on in its two parts.
    assert told.count("\n1-S3") == 2
    assert told.count("against peers p") == len(history.places) - 1
    again = StringIO()
    call_command("statistics", DEMO, stdout=again)
    assert again.getvalue() == told
    plots = sorted((tmp_path / "plots").glob("*.svg"))
    assert len(plots) == 5
    for plot in plots:
        root = ET.fromstring(plot.read_text(encoding="utf-8"))  # noqa: S314 - our own drawing
        assert root.find("{http://www.w3.org/2000/svg}title") is not None
        assert "nan" not in plot.read_text(encoding="utf-8")


def test_every_statistic_of_the_part_in_place_and_of_all_parts_is_printed() -> None:
    history, questions = read_histories(load_document(DEMO))
    found = assess(history, questions)
    told = "\n".join(assessment_lines(history, questions, found))
    steps = sum(len(group.cumulative.age) for group in found.groups if group.cumulative)
    assert len(re.findall(r"^    [\d.e+]+: .* to .*\), \d+$", told, re.MULTILINE)) == steps > 20
    replaced = [times for times in found.parts.renewed if len(times)]
    assert told.count("part in place put in at") == len(replaced) > 0
    now = found.parts.in_place
    often = [n for n in range(len(now.end)) if np.sum(now.unit == n) >= 2]
    for words in ("time between failures now", "Cramér–von Mises", "by its trend, look again"):
        assert told.count(words) == len(often) > 0


def test_same_history_same_answer_and_neighbours_count_in_the_rule() -> None:
    history, questions = read_histories(PATH)
    found = assess(history, questions)
    assert found.call_backs is not None
    assert found.call_backs.rule == "within 10 m along the cable"
    # 8 m along the segment from N1, 30 days later: a call-back of the repair at N1.
    assert found.call_backs.called_back.tolist() == [True, False, False]
    assert found.call_backs.until_next[0] == 30.0
    assert np.all((found.call_backs.chance > 0.0) & (found.call_backs.chance < 1.0))
    very = assess(*read_histories(bent("/questions/same_place", {"rule": "very"})))
    assert very.call_backs is not None
    assert not very.call_backs.called_back.any()


def test_a_plot_tells_in_words_what_it_shows() -> None:
    plot = Plot(
        title="A <plot> & more",
        across="x",
        up="y",
        curves=(Curve("one", np.array([0.0, 1.0]), np.array([0.0, np.nan])),),
        marks=Marks(np.array([1.0, np.nan]), np.array([2.0, 1.0]), ("a", "b"), (True, False)),
        level=1.0,
    )
    root = ET.fromstring(plot_svg(plot))  # noqa: S314 - our own drawing
    space = "{http://www.w3.org/2000/svg}"
    assert root.findtext(f"{space}title") == "A <plot> & more"
    assert "one: from 0 to 0" in (root.findtext(f"{space}desc") or "")
    assert len(root.findall(f"{space}circle")) == 1
    bars = Bars(("a", "b"), np.array([0.0, 1.0]), np.array([1.0, 2.0]), np.array([2.0, np.inf]))
    told = plot_svg(Plot(title="t", across="x", up="y", bars=bars, level=1.0))
    assert told.count("<circle") == 1
