"""Whatever a document holds, it is read or its defects are told; nothing else ever happens."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from faults.forms.observation import read_observation
from faults.forms.rehearsal import read_rehearsal
from faults.forms.trace import read_trace
from sites.forms.defects import FormDefects
from sites.forms.load import load_document
from sites.forms.survey import read_survey
from tests.forms.documents import GONE, REHEARSAL, SURVEY, TRACE, Document, bent
from tests.forms.test_observations_and_steps import WRITTEN

OBSERVATIONS: list[Document] = [json.loads(text) for text, _ in WRITTEN]
GROUNDED = {**REHEARSAL, "actual": SURVEY, "priors": TRACE["priors"]}

SCALARS = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=True)
    | st.text(max_size=5)
    | st.sampled_from(["N0", "N1", "S1", "D1", "short", "knee", "controller", "tree"])
)
ANYTHING = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["id", "at", "device", "kind", "x"]), inner, max_size=3)
    ),
    max_leaves=5,
)


def pointers_in(value: Any, here: str = "") -> Iterator[str]:
    """Every pointer of a document but that of the whole."""
    if isinstance(value, dict):
        members = list(value.items())
    else:
        members = [(str(place), inner) for place, inner in enumerate(value)]
    for name, inner in members:
        yield f"{here}/{name}"
        if isinstance(inner, dict | list):
            yield from pointers_in(inner, f"{here}/{name}")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("read", "documents"),
    [
        (read_survey, [SURVEY]),
        (read_trace, [TRACE, GROUNDED]),
        (read_rehearsal, [GROUNDED]),
        (read_observation, OBSERVATIONS),
    ],
)
@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_a_document_with_anything_in_it_is_read_or_refused(
    read: Callable[[Document], object], documents: list[Document], data: st.DataObject
) -> None:
    document = data.draw(st.sampled_from(documents))
    for _ in range(data.draw(st.integers(1, 3))):
        if pointers := list(pointers_in(document)):
            value = data.draw(st.just(GONE) | ANYTHING)
            document = bent(document, data.draw(st.sampled_from(pointers)), value)
    try:
        read(document)
    except FormDefects as refused:
        pointers = [defect.pointer for defect in refused.defects]
        told = all(defect.what and defect.right for defect in refused.defects)
    else:
        pointers, told = ["read"], True
    assert pointers
    assert told


@settings(max_examples=200)
@given(text=st.text(max_size=40) | st.binary(max_size=40))
def test_any_text_is_an_object_or_refused(text: str | bytes) -> None:
    try:
        document = load_document(text)
    except FormDefects as refused:
        document = {"refused": list(refused.defects)}
        told = bool(refused.defects)
    else:
        told = True
    assert isinstance(document, dict)
    assert told
