"""Every figure worked out anew from the exported raw rows by code that shares nothing with it."""

from __future__ import annotations

import pytest

from faults.audit.assemble import audit
from faults.audit.records import Asked
from faults.audit_exports import RAW, audit_csv
from faults.audit_question import RULES
from tests.audit.comparison import differences, table_of_csv
from tests.audit.invented import FIRST, LAST, records
from tests.audit.recompute import Question, recomputed

UNTIL = LAST - 60.0


def asked(rule: str, **more: object) -> tuple[Asked, Question]:
    start = more.get("start")
    place, crew = str(more.get("place", "")), str(more.get("crew", ""))
    window = float(str(more.get("window", 200.0)))
    one = Asked(UNTIL, start, place, crew, window, RULES[rule])  # type: ignore[arg-type]
    return one, Question(UNTIL, start, place, crew, window, rule)  # type: ignore[arg-type]


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize(
    "more",
    [
        {},
        {"start": FIRST + 300.0, "window": 90.0},
        {"place": "prop_1"},
        {"crew": "Red crew", "window": 730.0},
    ],
    ids=["all", "period", "property", "crew"],
)
def test_every_figure_is_what_the_raw_rows_give(rule: str, more: dict[str, object]) -> None:
    one, question = asked(rule, **more)
    for seed in range(2):
        found = audit(records(seed), one)
        anew = recomputed({name: audit_csv(found, name) for name in RAW}, question)
        assert {figure.key for figure in found.figures} == set(anew)
        for figure in found.figures:
            told = table_of_csv(audit_csv(found, figure.key))
            wrong = differences(told, anew[figure.key])
            assert not wrong, f"seed {seed}, {figure.key}:\n" + "\n".join(wrong[:12])


def test_the_invented_records_have_something_of_everything() -> None:
    """Else the comparison would be of empty tables."""
    seen: set[tuple[str, str]] = set()
    wanted: set[tuple[str, str]] = set()
    for window in (40.0, 200.0):
        for figure in audit(records(0), asked("splices-2", window=window)[0]).figures:
            for column in figure.columns:
                wanted.add((figure.key, column.key))
                if any(row.cells[column.key] for row in figure.rows):
                    seen.add((figure.key, column.key))
    assert wanted - seen == set()


def test_a_wrong_raw_row_is_seen() -> None:
    one, question = asked("splices-1")
    found = audit(records(1), one)
    raw = {name: audit_csv(found, name) for name in RAW}
    lines = raw["raw-failures"].split("\r\n")
    raw["raw-failures"] = "\r\n".join([lines[0], *lines[2:]])
    anew = recomputed(raw, question)
    told = table_of_csv(audit_csv(found, "by-crew"))
    assert differences(told, anew["by-crew"])
