"""What to bring follows from what is suspected and where it lies."""

from __future__ import annotations

from faults.bring import ALWAYS, Ground, Suspected, device_words, what_to_bring

GROUND = Ground(
    access={"N1": "box", "N2": "buried"},
    devices={"D1": ("N1", "decoder"), "D2": ("N2", "sensor")},
    conductors={"S1": "AWG 14", "S2": "2.5 mm2"},
)


def brought(*suspects: Suspected) -> dict[str, int]:
    things = what_to_bring(suspects, GROUND)
    assert [one.thing for one in things[:3]] == list(ALWAYS)
    return {one.thing: one.count for one in things[3:]}


def test_a_device_in_a_box_wants_its_kind_and_two_splices() -> None:
    assert brought(Suspected("device", "D1", 0.95)) == {
        "spare decoder": 1,
        "watertight splice kit": 2,
    }


def test_a_spare_is_named_so_that_it_fits() -> None:
    kinds = {"D1": ("N1", device_words("decoder", 2, "T4")), "D2": ("N1", "decoder, 1 output")}
    (first, *_) = what_to_bring([Suspected("device", "D1", 0.95)], Ground(devices=kinds))[3:]
    assert (first.thing, first.count) == ("spare decoder, 2 outputs, T4", 1)
    things = {one.thing for one in what_to_bring([], Ground(devices=kinds))}
    assert {"spare decoder, 2 outputs, T4", "spare decoder, 1 output"} <= things
    assert device_words("sensor", None, "") == "sensor"
    assert device_words("decoder", 1, "") == "decoder, 1 output"


def test_what_is_buried_wants_digging_and_a_second_person() -> None:
    things = brought(Suspected("splice", "N2", 1.0))
    assert "a second person" in things
    assert any(name.startswith("digging tools") for name in things)
    assert "10 m of two-wire cable, AWG 14" in brought(Suspected("segment", "S1", 1.0))


def test_the_likely_suspects_count_until_they_hold_nine_tenths() -> None:
    things = brought(
        Suspected("device", "D1", 0.6),
        Suspected("segment", "S2", 0.35),
        Suspected("splice", "N2", 0.05),
    )
    assert things["watertight splice kit"] == 4, "one fault is repaired, not all of them"
    assert "10 m of two-wire cable, 2.5 mm2" in things
    kits = next(
        one
        for one in what_to_bring(
            [Suspected("device", "D1", 0.6), Suspected("segment", "S2", 0.35)], GROUND
        )
        if one.thing == "watertight splice kit"
    )
    assert kits.why == "device D1; cable run S2"


def test_before_a_trace_the_path_says_what_could_be_wanted() -> None:
    assert brought() == {
        "watertight splice kit": 4,
        "spare decoder": 1,
        "spare sensor": 1,
        "10 m of two-wire cable, 2.5 mm2": 1,
        "10 m of two-wire cable, AWG 14": 1,
        "digging tools, and marks of other utilities asked for": 0,
    }


def test_names_that_the_map_no_longer_has_are_no_stumbling_block() -> None:
    assert brought(Suspected("device", "gone", 1.0))["spare device"] == 1
    assert "10 m of two-wire cable" in brought(Suspected("segment", "gone", 1.0))
