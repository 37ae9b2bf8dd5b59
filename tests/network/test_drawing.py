"""The drawn path: well-formed, complete, safe with hostile names, legible, told not by colour."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from xml.etree.ElementTree import Element, fromstring

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sites.network.drawing import StepMark, path_svg
from sites.network.drawing_geometry import free_angles, round_length_m, scale_of
from sites.network.elements import Device, Node, Segment, WirePath

SVG = "{http://www.w3.org/2000/svg}"

# N0 ─S1─ N1 ═S2,S3═ N2 ─S4/open─ N3     D1 at N1, D2 and D3 at N2; N3 buried
PATH = WirePath(
    label="Small path",
    frequency_hz=60.0,
    source_v=28.0,
    source_ohm=0.4 + 0.1j,
    trip_ma=1500.0,
    nodes=(
        Node("N0", "controller", 0.0, 0.0, "cabinet"),
        Node("N1", "branch-splice", 100.0, 0.0, "box"),
        Node("N2", "device-splice", 200.0, 50.0, "box"),
        Node("N3", "cable-end", 260.0, 50.0, "buried"),
    ),
    segments=(
        Segment("S1", "N0", "N1", 100.0, "AWG 14"),
        Segment("S2", "N1", "N2", 115.0, "AWG 14"),
        Segment("S3", "N2", "N1", 120.0, "AWG 14"),
        Segment("S4", "N2", "N3", 60.0, "AWG 14", joint_open="to"),
    ),
    devices=(
        Device("D1", "N1", "decoder", 1.2),
        Device("D2", "N2", "sensor", 0.8),
        Device("D3", "N2", "arrester", 0.0),
    ),
)
CURRENTS_MA = {"S1": 147.0, "S2": 80.0, "S3": 1.0, "D1": 66.0}


def drawn(
    path: WirePath = PATH,
    currents_ma: dict[str, float] | None = None,
    marks: tuple[StepMark, ...] = (),
    title: str = "",
) -> Element:
    currents = CURRENTS_MA if currents_ma is None else currents_ma
    return fromstring(path_svg(path, currents_ma=currents, marks=marks, title=title))  # noqa: S314


def groups(root: Element, kind: str) -> dict[str, Element]:
    return {
        group.attrib[f"data-{kind}"]: group
        for group in root.iter(f"{SVG}g")
        if f"data-{kind}" in group.attrib
    }


def texts(root: Element) -> list[str]:
    return [element.text or "" for element in root.iter(f"{SVG}text")]


def straight_path(count: int, label: str = "Straight path") -> WirePath:
    nodes = [Node("N0", "controller", 0.0, 0.0, "cabinet")]
    nodes += [
        Node(f"N{i}", "device-splice", 30.0 * i, 8.0 * (i % 3), "box") for i in range(1, count + 1)
    ]
    return replace(
        PATH,
        label=label,
        nodes=tuple(nodes),
        segments=tuple(
            Segment(f"S{i}", f"N{i - 1}", f"N{i}", 32.0, "AWG 14") for i in range(1, count + 1)
        ),
        devices=tuple(Device(f"D{i}", f"N{i}", "decoder", 1.2) for i in range(1, count + 1)),
    )


def test_it_says_what_it_is_to_those_who_do_not_see_it() -> None:
    root = drawn(title="North path, 3 May", marks=(StepMark(1, "N1", "clamp S1: 147 mA"),))
    assert root.attrib["role"] == "img"
    assert root.attrib["aria-label"] == "North path, 3 May"
    assert root[0].tag == f"{SVG}title"
    assert root[0].text == "North path, 3 May"
    assert root[1].tag == f"{SVG}desc"
    said = root[1].text or ""
    assert "3 devices, 4 cable runs and 4 nodes" in said
    assert "Strongest current: 147 mA in S1" in said
    assert "1 at N1: clamp S1: 147 mA" in said


def test_without_a_title_the_label_of_the_path_stands_above() -> None:
    assert drawn()[0].text == "Small path"


def test_every_segment_device_and_node_is_drawn_once() -> None:
    root = drawn()
    for kind, things in (
        ("segment", PATH.segments),
        ("device", PATH.devices),
        ("node", PATH.nodes),
    ):
        marked = [g for g in root.iter(f"{SVG}g") if f"data-{kind}" in g.attrib]
        assert sorted(g.attrib[f"data-{kind}"] for g in marked) == sorted(t.id for t in things)
    for group in groups(root, "segment").values():
        assert len(group.findall(f"{SVG}path")) == 1


@pytest.mark.parametrize("count", [20, 120, 400, 1000, 2500])
def test_large_paths_are_drawn_whole_and_labels_thin_out(count: int) -> None:
    path = straight_path(count)
    currents = {segment.id: 150.0 for segment in path.segments}
    root = drawn(path, currents)
    assert set(groups(root, "segment")) == {segment.id for segment in path.segments}
    assert set(groups(root, "device")) == {device.id for device in path.devices}
    wanted = 3 * count + 1
    labels = next(g for g in root.iter(f"{SVG}g") if g.attrib.get("class") == "labels")
    written = len(labels.findall(f"{SVG}text"))
    left_out = [text for text in texts(root) if "left out" in text]
    assert written + int(left_out[0].split()[0] if left_out else 0) == wanted
    assert float(root.attrib["width"]) <= 2300
    if count >= 400:
        assert written < wanted
        assert left_out[0].endswith("one drawing" if count == 2500 else "for want of room")


def test_labels_do_not_lie_on_each_other() -> None:
    root = drawn(straight_path(120), {f"S{i}": 150.0 for i in range(1, 121)})
    labels = next(g for g in root.iter(f"{SVG}g") if g.attrib.get("class") == "labels")
    boxes = []
    for text in labels.findall(f"{SVG}text"):
        x, y, half = float(text.attrib["x"]), float(text.attrib["y"]), len(text.text or "") * 3.0
        boxes.append((x - half, y - 9.0, x + half, y + 2.0))
    for index, one in enumerate(boxes):
        for other in boxes[index + 1 :]:
            apart = one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1]
            assert apart or other[3] <= one[1], (one, other)


def end_points(group: Element) -> tuple[tuple[float, float], tuple[float, float]]:
    numbers = [float(n) for n in re.findall(r"-?[\d.]+", group.find(f"{SVG}path").attrib["d"])]  # type: ignore[union-attr]
    return (numbers[0], numbers[1]), (numbers[-2], numbers[-1])


def test_it_is_to_scale_with_north_up_and_the_bar_fits_it() -> None:
    root = drawn()
    scale = scale_of(PATH)
    (x0, y0), (x1, y1) = end_points(groups(root, "segment")["S1"])
    assert x1 - x0 == pytest.approx(100.0 * scale.units_per_m, abs=0.2)
    assert y1 == pytest.approx(y0)
    _, (x2, y2) = end_points(groups(root, "segment")["S2"])
    assert x2 - x1 == pytest.approx(100.0 * scale.units_per_m, abs=0.2)
    assert y1 - y2 == pytest.approx(50.0 * scale.units_per_m, abs=0.2)  # north is up
    bar = next(g for g in root.iter(f"{SVG}g") if g.attrib.get("class") == "scale-bar")
    label = next(text for text in texts(bar) if text.endswith(" m"))
    line = bar.find(f"{SVG}line")
    assert line is not None
    drawn_length = float(line.attrib["x2"]) - float(line.attrib["x1"])
    length_m = float(label.removesuffix(" m"))
    assert drawn_length == pytest.approx(length_m * scale.units_per_m, abs=0.2)


def test_parallel_segments_bend_apart() -> None:
    drawings = groups(drawn(), "segment")
    bends = []
    for wire in ("S2", "S3"):
        data = drawings[wire].find(f"{SVG}path").attrib["d"]  # type: ignore[union-attr]
        bends.append(re.findall(r"Q(-?[\d.]+) (-?[\d.]+)", data)[0])
    assert bends[0] != bends[1]


def test_an_open_joint_leaves_a_gap_with_two_bars_at_its_end() -> None:
    drawings = groups(drawn(), "segment")
    group = drawings["S4"]
    assert len(group.findall(f"{SVG}line")) == 2
    scale = scale_of(PATH)
    _, (x, _y) = end_points(group)
    assert x < scale.at(260.0, 50.0)[0] - 3.0
    (x, _y), _ = end_points(group)
    assert x == pytest.approx(scale.at(200.0, 50.0)[0], abs=0.2)
    assert not drawings["S1"].findall(f"{SVG}line")


def test_currents_differ_by_width_pattern_and_words_not_by_colour_alone() -> None:
    drawings = groups(drawn(), "segment")
    lines = {wire: drawings[wire].find(f"{SVG}path") for wire in ("S1", "S2", "S3", "S4")}
    attributes = {wire: line.attrib for wire, line in lines.items() if line is not None}
    assert float(attributes["S1"]["stroke-width"]) > float(attributes["S2"]["stroke-width"])
    assert "stroke-dasharray" not in attributes["S1"]
    assert attributes["S3"]["stroke-dasharray"] != attributes["S4"]["stroke-dasharray"]
    titles = {wire: drawings[wire].findtext(f"{SVG}title") or "" for wire in attributes}
    assert titles["S1"].endswith(": 147 mA")
    assert titles["S3"].endswith(": 1.0 mA")
    assert titles["S4"].endswith(": current not given")
    assert {"147 mA", "80 mA", "1.0 mA", "D1 66 mA"} <= set(texts(drawn()))


def test_the_legend_tells_only_what_is_drawn() -> None:
    said = texts(drawn(marks=(StepMark(1, "N1", "x"),)))
    for word in ("110 to 147 mA", "below 2.9 mA", "current not given", "open joint", "controller"):
        assert word in said
    assert "inline splice" not in said
    plain_path = replace(PATH, segments=PATH.segments[:2])
    said = texts(drawn(plain_path, {"S1": 10.0, "S2": 10.0}))
    for word in ("current not given", "open joint", "from step to step", "Steps taken"):
        assert word not in said


def test_steps_are_numbered_listed_and_joined_where_they_share_a_node() -> None:
    marks = (
        StepMark(4, "N0", "reference: 147 mA"),
        StepMark(5, "N2", "clamp S2: 80 mA"),
        StepMark(6, "N2", "isolate device D2"),
    )
    root = drawn(marks=marks)
    balloons = [g for g in root.iter(f"{SVG}g") if g.attrib.get("class") == "step"]
    assert [texts(balloon) for balloon in balloons] == [["4"], ["5, 6"]]
    said = texts(root)
    assert "N2: isolate device D2" in said
    assert "N0: reference: 147 mA" in said


def test_a_long_list_of_steps_says_what_it_leaves_out() -> None:
    marks = tuple(StepMark(number, "N2", f"reading {number}") for number in range(1, 71))
    root = drawn(marks=marks)
    said = texts(root)
    assert "N2: reading 60" in said
    assert "N2: reading 61" not in said
    assert any(text.startswith("and 10 more steps") for text in said)
    assert "70 at N2: reading 70" in (root[1].text or "")
    balloons = [g for g in root.iter(f"{SVG}g") if g.attrib.get("class") == "step"]
    assert texts(balloons[0]) == ["1, 2 … 70"]


HOSTILE = [
    "<script>alert(1)</script>",
    '"><image href="x" onerror="y"/>',
    "]]>&amp;&#0;",
    "nul\x00bell\x07\x1b[31m",
    "\ud800 alone",
    "turn\u202eedis",
    "' or 1=1 --",
    "長い名前" * 40,
    "\ufffe\uffff",
    "  \n\t ",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_stay_text(name: str) -> None:
    path = replace(
        PATH,
        label=name,
        nodes=(PATH.nodes[0], replace(PATH.nodes[1], id=name), *PATH.nodes[2:]),
        segments=(
            replace(PATH.segments[0], id=f"S{name}", to_node=name),
            replace(PATH.segments[1], from_node=name, conductor=name),
            replace(PATH.segments[2], to_node=name),
            PATH.segments[3],
        ),
        devices=(Device(f"D{name}", name, name, 1.0), *PATH.devices[1:]),
    )
    marks = (StepMark(1, name, name),)
    svg = path_svg(path, currents_ma={f"S{name}": 3.0, f"D{name}": 2.0}, marks=marks, title=name)
    root = fromstring(svg.encode())  # noqa: S314
    allowed = {"svg", "title", "desc", "style", "rect", "text", "g", "path", "line", "circle"}
    tags = {element.tag.removeprefix(SVG) for element in root.iter()}
    assert tags <= allowed | {"polygon"}
    for element in root.iter():
        assert not any(key.startswith("on") or key.endswith("href") for key in element.attrib)
    assert len(groups(root, "segment")) == 4
    style = root.findtext(f"{SVG}style") or ""
    assert style == drawn().findtext(f"{SVG}style")
    assert "\u202e" not in svg


@given(name=st.text(max_size=30), label=st.text(max_size=30))
def test_any_name_gives_well_formed_xml(name: str, label: str) -> None:
    path = replace(PATH, devices=(Device(name, "N1", "decoder", 1.0),))
    svg = path_svg(path, currents_ma={}, marks=(StepMark(1, "N1", label),), title=label)
    assert fromstring(svg.encode()).attrib["role"] == "img"  # noqa: S314


@given(
    places=st.lists(st.tuples(st.floats(-1e5, 1e5), st.floats(-1e5, 1e5)), min_size=1, max_size=12)
)
def test_any_lie_of_the_land_is_drawn_inside_the_picture(
    places: list[tuple[float, float]],
) -> None:
    nodes = [Node("N0", "controller", *places[0], "cabinet")]
    nodes += [Node(f"N{i}", "cable-end", x, y, "box") for i, (x, y) in enumerate(places) if i]
    segments = [
        Segment(f"S{i}", one.id, other.id, 1.0, "AWG 14")
        for i, (one, other) in enumerate(pairwise(nodes))
    ]
    path = replace(PATH, nodes=tuple(nodes), segments=tuple(segments), devices=())
    root = drawn(path, {})
    width, height = float(root.attrib["width"]), float(root.attrib["height"])
    for group in groups(root, "segment").values():
        for x, y in end_points(group):
            assert 0.0 <= x <= width
            assert 0.0 <= y <= height
    assert "nan" not in root.attrib["viewBox"]


@pytest.mark.parametrize(
    ("currents", "marks", "says"),
    [
        ({"S9": 1.0}, (), "no such segment or device"),
        ({"S1": -1.0}, (), "no magnitude"),
        ({"S1": float("nan")}, (), "no magnitude"),
        ({"S1": float("inf")}, (), "no magnitude"),
        ({}, (StepMark(3, "N9", "x"),), "step 3: no node 'N9'"),
    ],
)
def test_what_cannot_be_drawn_is_an_error(
    currents: dict[str, float], marks: tuple[StepMark, ...], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        path_svg(PATH, currents_ma=currents, marks=marks)


@pytest.mark.parametrize(
    ("most_m", "length_m"),
    [(0.03, 0.02), (0.7, 0.5), (1.0, 1.0), (4.9, 2.0), (99.0, 50.0), (100.0, 100.0), (730, 500)],
)
def test_scale_bars_are_round(most_m: float, length_m: float) -> None:
    assert round_length_m(most_m) == pytest.approx(length_m)


def test_stubs_point_away_from_the_cables() -> None:
    assert free_angles([0.0], 1) == pytest.approx([3.14159265])
    assert free_angles([], 0) == []
    up_or_down = free_angles([0.0, 3.14159265], 1)[0]
    assert abs(abs(up_or_down) - 1.5708) < 1e-3 or abs(up_or_down - 4.7124) < 1e-3
