"""``manage.py predict``: what a clamp should read at every wire of every node."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from core.command_line import end_with_defects, write_warnings
from faults.forms.rehearsal import REHEARSAL_FORMAT, read_rehearsal
from faults.forms.trace import format_defect
from sites.forms.defects import FormDefects
from sites.forms.load import load_document
from sites.forms.survey import SURVEY_FORMAT, read_survey
from sites.forms.survey_warnings import survey_warnings
from sites.network.drawing import path_svg
from sites.network.elements import WirePath
from sites.network.errors import NetworkError
from sites.network.faults import Condition
from sites.network.prediction_report import prediction_report


class Command(BaseCommand):
    """Prints the currents and voltages of a survey, or of a rehearsal's ground."""

    help = (
        "Print, as one JSON document, the current in every wire of every node and the voltage "
        "there: of a survey as it is, of a rehearsal with its ground, faults and coil."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """The words of the command line."""
        parser.add_argument("file", type=Path, metavar="FILE")
        parser.add_argument(
            "--svg", type=Path, metavar="FILE", help="draw the path with its currents"
        )

    def handle(self, **options: Any) -> None:
        """Read, solve, print and, where asked, draw."""
        file: Path = options["file"]
        try:
            path, condition = _read(load_document(file))
        except FormDefects as form:
            end_with_defects(form.defects, self.stderr, str(file))
        write_warnings(survey_warnings(path), self.stderr, str(file))
        try:
            report = prediction_report(path, condition)
        except NetworkError as error:
            raise CommandError(f"{file}: {error}") from error
        self.stdout.write(json.dumps(report, ensure_ascii=False, allow_nan=False))
        if options["svg"] is not None:
            _draw(options["svg"], path, report)


def _read(document: dict[str, Any]) -> tuple[WirePath, Condition]:
    """The path and the condition it is in. Raises FormDefects."""
    form = document.get("format")
    if form == SURVEY_FORMAT:
        return read_survey(document), Condition()
    if form != REHEARSAL_FORMAT:
        raise FormDefects([format_defect(document, (SURVEY_FORMAT, REHEARSAL_FORMAT))])
    rehearsal = read_rehearsal(document)
    return rehearsal.ground, Condition(coil_ohm=rehearsal.coil_ohm, faults=rehearsal.faults)


def _draw(svg: Path, path: WirePath, report: dict[str, Any]) -> None:
    """A segment is drawn with the larger of the currents at its two ends."""
    currents_ma: dict[str, float] = {}
    for reading in report["readings"]:
        wire, current_ma = reading["wire"], reading["current_ma"]
        currents_ma[wire] = max(current_ma, currents_ma.get(wire, 0.0))
    try:
        svg.write_text(path_svg(path, currents_ma=currents_ma), encoding="utf-8")
    except OSError as error:
        raise CommandError(f"{svg} cannot be written: {error.strerror}") from error
