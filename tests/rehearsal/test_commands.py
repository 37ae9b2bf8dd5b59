"""``rehearse`` and ``follow`` as other programs use them."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from django.core.management import CommandError, call_command

from demo.make_north_lawn import FILE, SHORT_AT, north_lawn, north_lawn_text
from faults.forms.observation import observation_document
from faults.forms.place import read_joint, read_place
from faults.forms.rehearsal import read_rehearsal, rehearsal_document
from faults.forms.step import step_document
from faults.forms.trace import read_trace
from faults.rehearsal.cases import make_case
from faults.rehearsal.field import Field
from faults.rehearsal.rehearsal import Rehearsal
from faults.tracing.session import begin
from faults.tracing.step import Step
from sites.forms.load import load_document
from tests.rehearsal.grounds import rehearsal, short, step

ROOT = Path(__file__).resolve().parents[2]
MANAGE = [sys.executable, str(ROOT / "manage.py")]
SMALL = 18
"""A case of few devices."""

Document = dict[str, Any]


def written(truth: Rehearsal, file: Path) -> Path:
    file.write_text(json.dumps(rehearsal_document(truth)), encoding="utf-8")
    return file


@pytest.fixture(scope="module")
def truth() -> Rehearsal:
    case = make_case("rehearsals", SMALL)
    assert case.devices < 40
    return case.rehearsal


@pytest.fixture
def file(truth: Rehearsal, tmp_path: Path) -> Path:
    return written(truth, tmp_path / "small.json")


def step_of(document: Document) -> Step:
    """What a step's document asks for, as the field takes it."""
    where: Document = {
        name: document[name]
        for name in ("on", "fitted", "node", "wire", "station")
        if name in document
    }
    if "at" in document:
        where["at"] = read_place(document["at"])
    if "joints" in document:
        where["joints"] = tuple(read_joint(joint) for joint in document["joints"])
    if "legs_on" in document:
        where["legs_on"] = tuple(document["legs_on"])
    return step(document["do"], **where)


def rehearsed(*words: str) -> str:
    out = io.StringIO()
    call_command("rehearse", *words, stdout=out)
    return out.getvalue()


class Follower:
    """``follow`` in a process of its own."""

    def __init__(self, file: Path, *words: str) -> None:
        self.process = subprocess.Popen(
            [*MANAGE, "follow", str(file), *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )

    def heard(self) -> Document:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, "the process said nothing more"
        document: Document = json.loads(line)
        return document

    def tell(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def ended(self) -> tuple[int, str]:
        """Close its input; its exit status and what it complained of."""
        _, complaints = self.process.communicate(timeout=60)
        return self.process.returncode, complaints


@pytest.mark.slow
def test_follow_played_by_another_process_is_the_same_as_rehearse(
    truth: Rehearsal, file: Path
) -> None:
    *steps, verdict = [json.loads(line) for line in rehearsed(str(file), "--json").splitlines()]
    field = Field(truth)
    follower = Follower(file)
    heard = follower.heard()
    followed = []
    while heard["stage"] != "done":
        observation = observation_document(field.answer(step_of(heard)))
        followed.append({**heard, "observation": observation})
        follower.tell(json.dumps(observation))
        heard = follower.heard()
    assert follower.ended() == (0, "")
    assert len(steps) > 5
    assert followed == steps
    slowest_ms = verdict.pop("suggestion_ms_max")
    assert slowest_ms > 0.0
    assert heard == verdict


@pytest.mark.slow
def test_what_cannot_be_read_or_believed_gets_a_problem_and_the_step_again(file: Path) -> None:
    follower = Follower(file)
    first = follower.heard()
    for line, pointer in (
        ("{", ""),
        ('{"do": "reference", "current_ma": "147"}', "/current_ma"),
        ('{"do": "reference", "current_ma": NaN}', "/current_ma"),
        ('{"do": "dance"}', "/do"),
        # The coil is out, so nothing can be clamped yet.
        ('{"do": "reference", "current_ma": 147.0}', "/do"),
    ):
        follower.tell(line)
        problem = follower.heard()
        assert set(problem) == {"problem", "pointer"}
        assert len(problem["problem"]) > 10
        assert problem["pointer"] == pointer, line
        assert follower.heard() == first, line
    status, complaints = follower.ended()
    assert status == 3
    assert "the input ended" in complaints


def test_altered_truth_never_changes_a_first_step(truth: Rehearsal) -> None:
    document = rehearsal_document(truth)
    altered: list[Document] = [document]
    other_fault = {"kind": "short", "at": {"device": "D1"}, "resistance_ohm": 19.0}
    altered.append({**document, "faults": [other_fault]})
    altered.append({**document, "meter": {**document["meter"], "seed": 99}})
    altered.append({**document, "series_coil_ohm": [90.0, 170.0], "coil_known": False})
    altered.append({**document, "coil_known": False})
    without_actual = {name: value for name, value in document.items() if name != "actual"}
    altered.append({**without_actual, "coil_known": False})
    spread = {**document["survey"], "path": {**document["survey"]["path"], "trip_spread": 0.2}}
    altered.append({**document, "survey": spread})
    firsts = []
    for one in altered:
        read_rehearsal(one)
        first = begin(read_trace(load_document(json.dumps(one)))).step
        firsts.append((bool(one["coil_known"]), step_document(first)))
    # Whether the coil is known is no part of the truth; all else is.
    for known in (True, False):
        seen = [first for coil_known, first in firsts if coil_known is known]
        assert all(first == seen[0] for first in seen)


@pytest.mark.parametrize("command", ["rehearse", "follow"])
def test_a_file_that_does_not_fit_is_told_line_by_line(command: str, tmp_path: Path) -> None:
    document = rehearsal_document(rehearsal(short(read_place({"device": "D2"}))))
    document["faults"][0]["at"] = {"device": "D9"}
    document["survey"]["segments"][0]["length_m"] = -1.0
    file = tmp_path / "wrong.json"
    file.write_text(json.dumps(document), encoding="utf-8")
    complaints = io.StringIO()
    with pytest.raises(CommandError) as raised:
        call_command(command, str(file), stderr=complaints)
    assert raised.value.returncode == 2
    lines = complaints.getvalue().splitlines()
    assert any("/faults/0/at" in line and "D9" in line for line in lines)
    assert any("/survey/segments/0/length_m" in line for line in lines)


def test_rehearse_tells_each_step_with_its_cautions_and_ends_with_the_verdict(file: Path) -> None:
    *steps, verdict = [json.loads(line) for line in rehearsed(str(file), "--json").splitlines()]
    told = rehearsed(str(file))
    squeezed = " ".join(told.split())
    for taken in steps:
        assert f"{taken['step']}. [{taken['stage']}]" in squeezed
        assert " ".join(taken["why"].split()) in squeezed
        for caution in taken["cautions"]:
            assert " ".join(caution.split()) in squeezed
    cautions = sum(len(taken["cautions"]) for taken in steps)
    assert told.count("CAUTION") >= cautions > 10
    last = told.strip().splitlines()[-1]
    assert last.startswith("PROVED: ")
    assert f"{verdict['observations']} observations" in last


@pytest.mark.slow
def test_rehearse_tables_a_folder(truth: Rehearsal, tmp_path: Path) -> None:
    written(truth, tmp_path / "one.json")
    written(make_case("rehearsals", SMALL + 4).rehearsal, tmp_path / "two.json")
    head, *rows = rehearsed(str(tmp_path), "--method", "halving").splitlines()
    assert head.split()[:3] == ["file", "devices", "outcome"]
    assert [row.split()[0] for row in rows] == ["one.json", "two.json"]
    assert [row.split()[1] for row in rows] == [
        str(len(truth.survey.devices)),
        str(make_case("rehearsals", SMALL + 4).devices),
    ]
    lines = [json.loads(line) for line in rehearsed(str(tmp_path), "--json").splitlines()]
    assert [line["file"] for line in lines] == ["one.json", "two.json"]
    assert all(line["stage"] == "done" for line in lines)


def test_rehearse_draws_the_steps(file: Path, tmp_path: Path) -> None:
    picture = tmp_path / "steps.svg"
    rehearsed(str(file), "--svg", str(picture))
    root = ET.fromstring(picture.read_text(encoding="utf-8"))  # noqa: S314 - own file
    assert root.tag.endswith("svg")
    assert "reference" in "".join(root.itertext())


def test_the_demo_is_what_its_script_makes_and_is_proved() -> None:

    assert FILE.read_text(encoding="utf-8") == north_lawn_text()
    assert len(north_lawn().survey.devices) == 120
    verdict = json.loads(rehearsed(str(FILE), "--json").splitlines()[-1])
    assert verdict["outcome"] == "proved"
    assert verdict["found"][0]["at"] == {"splice": SHORT_AT}
