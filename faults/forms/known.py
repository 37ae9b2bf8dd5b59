"""What a trace and a rehearsal both say before starting: meter, costs, priors, sound records."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import asdict, fields
from typing import Any

from faults.forms.place import ids_by_list, place_defects, place_document, read_place
from faults.tracing.problem import Costs, History, Meter, PlaceHistory, PlacePrior, SoundRecord
from sites.forms.defects import Defect, pointer_to, shown
from sites.forms.rows import member, numbered_rows, text_in
from sites.forms.survey_checks import leg_ids

Document = dict[str, Any]

_METER = ("percent", "counts", "resolution_ma")
_ISOLATE = ("device", "splice", "segment")


def read_meter(document: Document) -> Meter:
    """The meter of a document of the right shape; what is not given is at its default."""
    return Meter(**{name: float(document[name]) for name in _METER if name in document})


def meter_document(meter: Meter) -> Document:
    """A meter as a document."""
    return asdict(meter)


def read_costs(document: Document) -> Costs:
    """The costs of a document of the right shape; what is not given is at its default."""
    minutes = {name: float(value) for name, value in document.items() if name != "isolate_min"}
    isolate = document.get("isolate_min", {})
    if not isinstance(isolate, dict):
        isolate = dict.fromkeys(_ISOLATE, isolate)
    minutes |= {f"isolate_{kind}_min": float(value) for kind, value in isolate.items()}
    return Costs(**minutes)


def costs_document(costs: Costs) -> Document:
    """Costs as a document, the minutes to isolate by kind of place."""
    minutes = asdict(costs)
    isolate = {kind: minutes.pop(f"isolate_{kind}_min") for kind in _ISOLATE}
    return {**minutes, "isolate_min": isolate}


def read_priors(rows: list[Document]) -> tuple[PlacePrior, ...]:
    """The priors of rows of the right shape."""
    return tuple(PlacePrior(read_place(row["at"]), float(row["weight"])) for row in rows)


def priors_rows(priors: tuple[PlacePrior, ...]) -> list[Document]:
    """Priors as rows."""
    return [{"at": place_document(prior.at), "weight": prior.weight} for prior in priors]


def read_history(document: Document | None) -> History | None:
    """The history of failures of a document of the right shape."""
    if document is None:
        return None
    places = tuple(
        PlaceHistory(
            read_place(row["at"]),
            float(row["factor"]),
            int(row["failures"]),
            float(row["years"]),
            int(row.get("stretch_failures", 0)),
        )
        for row in document["places"]
    )
    return History(document["run"], document["as_of"], places)


def history_document(history: History) -> Document:
    """What the history of failures said, as a document."""
    rows = [asdict(one) | {"at": place_document(one.at)} for one in history.places]
    return {"run": history.run, "as_of": history.as_of, "places": rows}


def read_sound_record(rows: list[Document]) -> tuple[SoundRecord, ...]:
    """The sound records of rows of the right shape."""
    return tuple(
        SoundRecord(**{name: _plain(value) for name, value in row.items()}) for row in rows
    )


def sound_record_rows(records: tuple[SoundRecord, ...]) -> list[Document]:
    """Sound records as rows, null where something is not known."""
    names = [field.name for field in fields(SoundRecord)]
    return [{name: getattr(record, name) for name in names} for record in records]


def known_defects(document: object) -> Iterator[Defect]:
    """What priors and sound records of a raw trace or rehearsal name and its survey has not."""
    survey = member(document, "survey")
    ids = ids_by_list(survey)
    first: dict[tuple[str, object], str] = {}
    for place, row in numbered_rows(document, "priors"):
        here = pointer_to("priors", place, "at")
        at = row.get("at")
        yield from place_defects(at, ids, here)
        yield from _twice(at, here, first)
    history = member(document, "history")
    seen: dict[tuple[str, object], str] = {}
    for place, row in numbered_rows(history, "places"):
        here = pointer_to("history", "places", place, "at")
        yield from place_defects(row.get("at"), ids, here)
        yield from _twice(row.get("at"), here, seen)
    legs = leg_ids(survey)
    for place, row in numbered_rows(document, "sound_record"):
        leg = text_in(row, "leg")
        if leg is not None and leg not in legs:
            what = f"{shown(leg)} is not a leg, a segment that ends at the controller"
            yield Defect(pointer_to("sound_record", place, "leg"), what, "the id of a leg")
        yield from _day_defects(pointer_to("sound_record", place, "date"), text_in(row, "date"))
    yield from _day_defects("/dated", text_in(document, "dated"))


def _twice(at: object, here: str, first: dict[tuple[str, object], str]) -> Iterator[Defect]:
    """A place that has its weight already; ``first`` is where each was named first."""
    for name in _place_names(at):
        if name in first:
            what = f"this place has a weight already at {first[name]}"
            yield Defect(here, what, "one weight for each place")
        first.setdefault(name, here)


def _day_defects(pointer: str, text: str | None) -> Iterator[Defect]:
    """A whole date of the right shape that no calendar has."""
    if text is None or len(text) != len("YYYY-MM-DD"):
        return
    try:
        dt.date.fromisoformat(text)
    except ValueError:
        yield Defect(pointer, f"{shown(text)} is in no calendar", "a day that there is")


def _place_names(at: object) -> list[tuple[str, object]]:
    """The one member that says which place it is; none where it cannot be read."""
    if not isinstance(at, dict):
        return []
    names = [(kind, value) for kind, value in at.items() if kind != "fraction"]
    return names if len(names) == 1 and isinstance(names[0][1], str | bool) else []


def _plain(value: object) -> Any:
    """Whole numbers as floats, all else as it is."""
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value
