"""Outputs without a station number count as dry before a partial restore and after it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from core.accounts.actor import Actor
from core.problems import Invalid
from faults.models import FaultCall
from faults.pages.words import stations_words
from faults.selectors.call_urgency import call_dryness
from faults.selectors.partial_restores import partial_restore_propose
from faults.services.partial_restores import (
    RestoreDone,
    partial_restore_done,
    partial_restore_undone,
)
from sites.network.faults import Place
from tests.faults.places import path_at_new_place
from tests.repairs.field import opened
from tests.tracing.drives import tree_path

OFF = ({"device": "D5"},)


def call_on(by: Actor, *, outputs: int | None = None, numbered: bool = False) -> FaultCall:
    """A call on the tree of the drives, D5 with so many outputs; ``numbered``: all but D5 have a
    station of their own."""
    path = tree_path()
    devices = []
    for number, device in enumerate(path.devices, start=1):
        stations = (number,) if numbered and device.id != "D5" else ()
        more = outputs if device.id == "D5" else device.outputs
        devices.append(replace(device, stations=stations, outputs=more))
    return opened(by, path_at_new_place(by, replace(path, devices=tuple(devices))))


def dry(call: FaultCall) -> int:
    call.refresh_from_db()
    return call_dryness([call])[call.pk].stations


@pytest.mark.parametrize(("outputs", "lost"), [(None, 1), (1, 1), (3, 3)])
def test_what_is_proposed_keeps_the_call_as_urgent_as_its_outputs_are_many(
    by: Actor, outputs: int | None, lost: int
) -> None:
    call = call_on(by, outputs=outputs)
    assert dry(call) == 6 + lost
    done = partial_restore_propose(call, Place("device", "D5")).done
    assert (done.stations_lost, done.unnumbered_lost) == ((), lost)
    partial_restore_done(call=call, done=done, version=call.version, by=by)
    assert dry(call) == lost
    partial_restore_undone(call=call, version=call.version, note="", by=by)
    assert dry(call) == 0


def test_numbered_and_unnumbered_are_counted_together(by: Actor) -> None:
    call = call_on(by, outputs=2, numbered=True)
    assert dry(call) == 8
    done = RestoreDone(({"device": "D4"}, *OFF), (4,), unnumbered_lost=2)
    partial_restore_done(call=call, done=done, version=call.version, by=by)
    assert dry(call) == 3


@pytest.mark.parametrize(
    ("done", "lost"),
    [
        (RestoreDone(OFF), 2),  # nothing said of stations: those of the device
        (RestoreDone(OFF, (5,)), 1),  # somebody knows its number, which the map has not
        (RestoreDone(OFF, (), unnumbered_lost=0), 0),  # said to water by other means
        (RestoreDone(({"segment": "S1"},)), 0),  # a cable alone says nothing of devices
    ],
)
def test_what_is_not_said_is_taken_from_the_devices_left_off(
    by: Actor, done: RestoreDone, lost: int
) -> None:
    call = call_on(by, outputs=2)
    partial_restore_done(call=call, done=done, version=call.version, by=by)
    assert dry(call) == lost


@pytest.mark.parametrize("count", [-1, 1001])
def test_a_count_that_cannot_be_is_refused(by: Actor, count: int) -> None:
    call = call_on(by)
    done = RestoreDone(OFF, unnumbered_lost=count)
    with pytest.raises(Invalid) as invalid:
        partial_restore_done(call=call, done=done, version=call.version, by=by)
    assert [defect.pointer for defect in invalid.value.defects] == ["/unnumbered_lost"]


def test_stations_are_told_with_and_without_numbers() -> None:
    assert stations_words([], 0) == "none"
    assert stations_words([5, 7], 0) == "5, 7"
    assert stations_words([], 2) == "2 without a number"
    assert stations_words([5], 2) == "5 and 2 without a number"
