"""The audit in the words of pages and paper."""

from __future__ import annotations

import base64
from dataclasses import dataclass

from faults.audit.assemble import Event, audit_plots
from faults.audit.figure import Figure, Row, cell_words
from faults.audit_exports import moment_of
from faults.selectors.audit import Audited

PLOT_WORDS = {
    "trend": "Proved failures so far against an even flow; the table “Do failures come faster?”"
    " says the same in numbers.",
    "mean-failures": "Mean failures of a path by days watched, with limits; the table of the same"
    " name holds the numbers.",
    "closings": "Call-backs seen over expected, crew by crew, within funnel limits; the table of"
    " closings holds the numbers.",
}
_MAP_WORDS = "Map of a path with its proved failures; “Repeat failures by place” lists them."

_PAGE_OF = {
    "call": "/calls/",
    "find": "/findings/",
    "rep": "/repairs/",
    "part": "/parts/",
}


@dataclass(frozen=True)
class CellView:
    """A value as it is shown. ``opens``: its column where events stand behind it."""

    text: str
    opens: str
    is_text: bool


@dataclass(frozen=True)
class RowView:
    """A row as it is shown."""

    key: str
    label: str
    cells: tuple[CellView, ...]


@dataclass(frozen=True)
class FigureView:
    """A figure as it is shown; ``more``: rows that are not."""

    figure: Figure
    rows: tuple[RowView, ...]
    more: int


@dataclass(frozen=True)
class PlotView:
    """A plot as an address that holds all of it, and in words."""

    key: str
    address: str
    words: str


@dataclass(frozen=True)
class EventView:
    """An event behind a count, where to look it up, and the same of what came after it."""

    event: Event
    at: str
    property_name: str
    address: str
    then: str
    then_words: str


def figure_view(figure: Figure, most: int | None = None) -> FigureView:
    """A figure, all of its rows or the first ones."""
    rows = figure.rows if most is None else figure.rows[:most]
    return FigureView(
        figure, tuple(_row(figure, row) for row in rows), len(figure.rows) - len(rows)
    )


def _row(figure: Figure, row: Row) -> RowView:
    cells = (
        CellView(
            cell_words(row.cells.get(column.key), column.measure),
            column.key if row.opens.get(column.key) else "",
            column.measure == "text",
        )
        for column in figure.columns
    )
    return RowView(row.key, row.label, tuple(cells))


def plot_views(audited: Audited) -> list[PlotView]:
    """Every plot of an audit."""
    return [
        PlotView(
            key,
            f"data:image/svg+xml;base64,{base64.b64encode(svg.encode()).decode('ascii')}",
            PLOT_WORDS.get(key, _MAP_WORDS),
        )
        for key, svg in audit_plots(audited.found)
    ]


def question_words(audited: Audited) -> list[tuple[str, str]]:
    """What was asked, each with its name."""
    question, first = audited.question, audited.question.from_day
    last = audited.until.astimezone(audited.zone)
    end = f"{question.until_day:%-d %b %Y}" if question.until_day else f"{last:%-d %b %Y, %H:%M}"
    return [
        ("Period", f"until {end}" if first is None else f"{first:%-d %b %Y} to {end}"),
        ("Property", audited.property_name or "all"),
        ("Crew", audited.crew_name or "all"),
        ("Window", f"{question.window_days} days after a repair or closing"),
        ("The same place", question.rule().words),
    ]


def event_views(audited: Audited, ids: tuple[str, ...]) -> list[EventView]:
    """Events, the oldest first, each with its page."""
    names = audited.found.records
    events = audited.found.events(ids)
    after = tuple(event.then for event in events if event.then not in ("", event.id))
    words = {event.id: event.words for event in audited.found.events(after)}
    return [
        EventView(
            event,
            f"{moment_of(event.at).astimezone(audited.zone):%-d %b %Y, %H:%M}",
            names.name(event.property),
            _address(event.id),
            _address(event.then) if event.then in words else "",
            words.get(event.then, ""),
        )
        for event in events
    ]


def _address(public_id: str) -> str:
    return _PAGE_OF[public_id.partition("_")[0]] + public_id
