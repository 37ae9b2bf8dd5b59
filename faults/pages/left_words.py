"""Things left on a path, in the words of pages."""

from __future__ import annotations

from faults.models.as_left import AsLeftItem, LeftKind


def left_words(item: AsLeftItem) -> str:
    """What is left and where, on one line."""
    where = item.where
    match item.kind:
        case LeftKind.LEG_OFF:
            return f"Leg {where['segment']} off at the controller"
        case LeftKind.JOINT_OPEN:
            return f"Joint of cable run {where['segment']} open at its “{where['end']}” end"
        case LeftKind.JOINT_CLOSED:
            return (
                f"Joint of cable run {where['segment']} closed at its “{where['end']}” end, "
                "which the map has open"
            )
        case LeftKind.ISOLATED:
            return f"Out of the path: {place_words(where)}"
        case LeftKind.LID_UP:
            return f"Lid up or hole open at {where['node']}"
        case LeftKind.TAG:
            return f"Tag {where['tag']} on a wire at {where['node']}"
        case LeftKind.OTHER:
            return item.key.partition(":")[2] or "Something else"
    return LeftKind(item.kind).label


def place_words(place: dict[str, object]) -> str:
    """A place in the words of the forms, without its map."""
    if not place:
        return "place not told"
    kind, name = next(iter(place.items()))
    return {
        "device": f"device {name}",
        "splice": f"the splice at {name}",
        "segment": f"cable run {name}",
        "leg": f"the leg that begins with cable run {name}",
        "unmapped": f"something that is not on the map, at {name}",
        "controller": "the controller itself",
    }.get(kind, str(name))


LEFT_CAUTIONS: dict[str, str] = {
    LeftKind.POWER_OFF: (
        "Power: hands out of the controller and everybody clear of bare ends before it goes on."
    ),
    LeftKind.COIL_IN: "The coil comes out with the power off and proved dead; it may be hot.",
    LeftKind.LEG_OFF: "Before a leg is moved: power off and proved dead.",
    LeftKind.JOINT_OPEN: "A cut or lifted end can be live from the far side: cap each by itself.",
    LeftKind.JOINT_CLOSED: "Look for volts across each pair before it is opened or joined.",
    LeftKind.ISOLATED: "What is out of the path has two ends: each can be live from its own side.",
    LeftKind.LID_UP: "An open hole is fenced or covered whenever people leave it.",
}
"""What to mind about a thing left, by its kind."""
