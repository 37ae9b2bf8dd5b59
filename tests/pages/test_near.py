"""What lies near a splice point, and the ways on from there along the cable."""

from __future__ import annotations

import re

from django.test import Client

from sites.network_snapshot import path_network
from sites.pages.near import near_of
from tests.faults.hunts import Hunt, played_bodies, rehearsal_of
from tests.pages.conftest import text_of

_, BODIES = played_bodies(rehearsal_of())
AWAY = next(at for at, one in enumerate(BODIES) if one.get("node") not in (None, "C0"))


def test_the_ways_on_are_the_other_ends_of_its_cable_runs(hunt: Hunt) -> None:
    network = path_network(hunt.trace.path)
    for node in network.nodes:
        near = near_of(network, node.id.lower())
        runs = [one for one in network.segments if node.id in (one.from_node, one.to_node)]
        ends = {end for one in runs for end in (one.from_node, one.to_node)} - {node.id}
        assert near.node == node.id
        assert {way for way, _ in near.ways} == ends
    lost = near_of(network, "Q7")
    assert (lost.node, lost.unknown) == (network.controller.id, "Q7")


def test_a_path_begins_where_its_trace_stands_and_goes_on_along_the_cable(
    browser: Client, hunt: Hunt
) -> None:
    where = f"/paths/{hunt.trace.path.public_id}"
    controller = path_network(hunt.trace.path).controller.id
    assert f"around={controller}" in browser.get(where).content.decode()
    hunt.send_all(BODIES[: AWAY + 1])
    page = browser.get(where).content.decode()
    assert f"around={BODIES[AWAY]['node']}" in page
    ways = re.findall(rf'href="({where}\?[^"#]*near=[^"#]*)#near"', page)
    assert ways
    after = browser.get(ways[0].replace("&amp;", "&"))
    assert f"around={ways[0].partition('near=')[2]}" in after.content.decode()
    lost = browser.get(f"{where}?near=<Q7>")
    assert "“<Q7>” is not on the map" in text_of(lost)


def test_a_trace_looks_at_another_place_also_where_an_answer_is_refused(
    browser: Client, hunt: Hunt
) -> None:
    hunt.send_all(BODIES[:AWAY])
    where = f"/traces/{hunt.trace.public_id}"
    page = browser.get(f"{where}?near=n2").content.decode()
    assert "around=N2" in page
    refused = browser.post(f"{where}/answer", {"asked": "{"})
    assert refused.status_code == 422
    assert f'href="{where}?near=' in refused.content.decode()


def test_a_close_up_is_part_of_the_drawing_enlarged(browser: Client, hunt: Hunt) -> None:
    drawing = f"/paths/{hunt.trace.path.public_id}/drawing.svg"
    near = browser.get(f"{drawing}?around=N2").content.decode()
    assert 'width="360" height="300"' in near
    (box,) = re.findall(r'<svg[^>]*viewBox="([^"]*)"', near)
    assert box.split()[2:] == ["288", "240"]
