"""Things left on a path, and its places, in words for people."""

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
            node, tag = where.get("node", ""), where.get("tag", "")
            return f"Tag {tag} on a wire at {node}" if node and tag else f"Tag {tag or node}"
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
        "none": "nothing wrong then",
        "overload": "a sound path that draws too much",
    }.get(kind, str(name))


def plain_reason(reason: str) -> str:
    """A reason of the engine in the words of people: they say cable run."""
    return reason.replace("segment ", "cable run ")
