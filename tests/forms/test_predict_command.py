"""``manage.py predict`` from end to end: what it prints, draws and refuses."""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from django.core.management import call_command

from core.command_line import write_warnings
from faults.forms.schema_files import form_defects
from sites.forms.defects import Defect
from tests.forms.documents import REHEARSAL, SURVEY, TRACE, Document, bent


def predicted(folder: Path, document: Document, *words: str) -> dict[str, Any]:
    file = folder / "path.json"
    file.write_text(json.dumps(document))
    out = StringIO()
    call_command("predict", str(file), *words, stdout=out)
    report: dict[str, Any] = json.loads(out.getvalue())
    assert form_defects(report, "prediction") == []
    return report


def refused(folder: Path, text: str) -> list[str]:
    file = folder / "path.json"
    file.write_text(text)
    errors = StringIO()
    with pytest.raises(SystemExit) as ended:
        call_command("predict", str(file), stdout=StringIO(), stderr=errors)
    assert ended.value.code == 2
    return [line.removeprefix(f"{file}: ") for line in errors.getvalue().splitlines()]


def test_a_survey_reads_its_devices_draw(tmp_path: Path) -> None:
    report = predicted(tmp_path, SURVEY)
    # One device of 1.2 mA is 23.3 kΩ; the few tenths of an ohm before it change nothing here.
    assert report["reference_ma"] == pytest.approx(1.2, abs=0.001)
    wires = [(reading["node"], reading["wire"]) for reading in report["readings"]]
    assert sorted(wires) == [
        ("N0", "S1"),
        ("N1", "D1"),
        ("N1", "S1"),
        ("N1", "S2"),
        ("N2", "D2"),
        ("N2", "S2"),
    ]
    assert report["basis"]["series_coil_ohm"] is None


def test_a_rehearsal_is_predicted_with_its_ground_faults_and_coil(tmp_path: Path) -> None:
    # 28 V over source, coil, 2 × 33.5 m of AWG 14 (0.55 Ω, within 0.02) and a short of 3 Ω:
    # |0.4 + 40 + 0.55 + 3 + j100.1| = 109.4 Ω, so 256 mA.
    report = predicted(tmp_path, REHEARSAL)
    assert report["reference_ma"] == pytest.approx(256.0, abs=1.0)
    assert report["basis"]["series_coil_ohm"] == [40.0, 100.0]
    assert report["basis"]["faults"] == REHEARSAL["faults"]
    ground = bent(SURVEY, "/path/source_v", 14.0)
    halved = predicted(tmp_path, bent(REHEARSAL, "/actual", ground))
    assert halved["reference_ma"] == pytest.approx(128.0, abs=0.5)


def test_a_picture_is_drawn_where_asked(tmp_path: Path) -> None:
    picture = tmp_path / "path.svg"
    predicted(tmp_path, SURVEY, "--svg", str(picture))
    drawn = ET.parse(picture).getroot()  # noqa: S314 - drawn by ourselves a line above
    assert drawn.tag.endswith("svg")


def test_each_defect_is_one_line_and_the_status_is_2(tmp_path: Path) -> None:
    document = bent(bent(SURVEY, "/nodes/1/x_m", "far"), "/segments/1/to", "N\n9")
    lines = refused(tmp_path, json.dumps(document))
    assert {line.split(": ")[0] for line in lines} == {"/nodes/1/x_m", "/segments/1/to"}
    assert all("; right: " in line for line in lines)


@pytest.mark.parametrize(
    ("text", "pointer"),
    [
        ("{", "(document)"),
        (json.dumps(TRACE), "/format"),
        ('{"format": "clampline-survey/1", "nodes": [1e999]}', "/nodes/0"),
    ],
)
def test_what_is_no_survey_and_no_rehearsal_is_refused(
    tmp_path: Path, text: str, pointer: str
) -> None:
    assert refused(tmp_path, text)[0].startswith(f"{pointer}: ")


def test_a_warning_does_not_stop_the_prediction(tmp_path: Path) -> None:
    file = tmp_path / "path.json"
    file.write_text(json.dumps(bent(SURVEY, "/segments/1/length_m", 20.0)))
    out, errors = StringIO(), StringIO()
    call_command("predict", str(file), stdout=out, stderr=errors)
    assert errors.getvalue().startswith(f"warning: {file}: /segments/1/length_m: ")
    assert json.loads(out.getvalue())["reference_ma"] > 0


def test_a_line_stays_one_line_whatever_a_document_holds() -> None:
    errors = StringIO()
    write_warnings([Defect("/a\nb", "odd \x1b[31m", "even")], errors)
    assert errors.getvalue() == "warning: /a\\nb: odd \\x1b[31m; right: even\n"
