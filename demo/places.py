"""Invented properties: where they lie, their controllers, and how their wire paths run.

Names, people and figures are made up; figures are trade judgement ("common practice, no source").
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Run:
    """A run of boxes one after the other. ``hangs_on`` is (run, box) counted from 1, None: a leg
    from the controller. Bearings are degrees clockwise from the y axis."""

    name: str
    boxes: int
    bearing_deg: float
    hangs_on: tuple[str, int] | None = None
    laid_year: int | None = None
    conductor: str = "AWG 14"
    connector: str = "gel-filled twist-on"
    by_crew: str = ""


@dataclass(frozen=True)
class PathPlan:
    """A wire path to be laid. ``loop``: the two runs whose ends a closing cable joins."""

    label: str
    laid_year: int
    runs: tuple[Run, ...]
    trip_ma: float = 1000.0
    loop: tuple[str, str] | None = None


@dataclass(frozen=True)
class ControllerPlan:
    """A controller and its path."""

    name: str
    model_note: str
    path: PathPlan


@dataclass(frozen=True)
class PropertyPlan:
    """A property with its controllers; ``season``: first and last (month, day) of watering."""

    external_id: str
    name: str
    address: str
    lat: float
    lon: float
    access_note: str
    season: tuple[tuple[int, int], tuple[int, int]]
    controllers: tuple[ControllerPlan, ...] = field(default=())


TIME_ZONE = "Europe/Madrid"
OLD_SPLICE = "grease-cap twist-on"
OLD_CREW = "an earlier contractor"

_TWO_OUTPUTS = "two-wire controller, two legs, message on its screen"
_WALL = "two-wire controller, wall cabinet, message on its screen"

_HILL = PathPlan(
    "Hill path",
    2011,
    (
        Run("upper leg", 22, 35.0),
        Run("kite field", 12, -30.0, ("upper leg", 8)),
        # Laid with the old splices, in wet ground: the first trouble stretch.
        Run("mill stream", 16, 80.0, ("upper leg", 14), 2003, "AWG 14", OLD_SPLICE, OLD_CREW),
        Run("beech ride", 10, -15.0, ("upper leg", 20)),
        Run("lower leg", 25, 150.0),
        Run("play ground", 11, 215.0, ("lower leg", 9)),
        Run("herb beds", 14, 95.0, ("lower leg", 18)),
    ),
)
_BANDSTAND = PathPlan(
    "Bandstand path",
    2014,
    (Run("bandstand walk", 40, 60.0),),
)
_OUTWARD = PathPlan(
    "Outward nine",
    2009,
    (
        Run("first fairway leg", 34, 10.0, conductor="AWG 12"),
        Run("second green", 16, 70.0, ("first fairway leg", 12)),
        Run("third green", 18, -50.0, ("first fairway leg", 20)),
        # A sandy bank that is driven over: the second trouble stretch.
        Run("ferry bank", 20, 40.0, ("first fairway leg", 27), 2009, "AWG 14", OLD_SPLICE),
        Run("fourth fairway leg", 36, 130.0, conductor="AWG 12"),
        Run("fifth green", 18, 190.0, ("fourth fairway leg", 10)),
        Run("sixth green", 20, 80.0, ("fourth fairway leg", 19)),
        Run("ditch side", 18, 160.0, ("fourth fairway leg", 29)),
    ),
    trip_ma=1400.0,
)
_HOMEWARD = PathPlan(
    "Homeward nine",
    2010,
    (
        Run("tenth fairway leg", 46, 250.0, conductor="AWG 12"),
        Run("eleventh green", 24, 310.0, ("tenth fairway leg", 11)),
        Run("twelfth green", 24, 200.0, ("tenth fairway leg", 22)),
        Run("heron pool", 16, 290.0, ("tenth fairway leg", 33)),
        Run("practice ground leg", 38, 340.0),
        Run("putting lawn", 22, 20.0, ("practice ground leg", 15)),
    ),
    trip_ma=1400.0,
)
_SCHOOL = PathPlan(
    "Playing field path",
    2016,
    (
        Run("north side", 24, 85.0),
        Run("south side", 24, 120.0),
        Run("orchard", 12, 40.0, ("north side", 9)),
    ),
    loop=("north side", "south side"),
)
_COURTS = PathPlan(
    "Courts path",
    2006,
    (
        Run("first court", 16, 0.0),
        Run("second court", 9, 60.0, ("first court", 3)),
        Run("third court", 9, -55.0, ("first court", 5)),
        # A hedge whose roots lift the splices: the third trouble stretch.
        Run("hornbeam hedge", 14, 20.0, ("first court", 9), 2002, "AWG 16", OLD_SPLICE, OLD_CREW),
        Run("car park", 8, 180.0),
        Run("bin store", 8, 240.0, ("car park", 3)),
        Run("rose bank", 16, 130.0, ("car park", 5)),
        Run("arbour", 10, 95.0, ("second court", 5)),
    ),
    trip_ma=900.0,
)
_PITCHES = PathPlan(
    "Pitches path",
    2018,
    (
        Run("main pitch leg", 30, 5.0, conductor="2.5 mm2"),
        Run("touch line", 20, 95.0, ("main pitch leg", 10), conductor="2.5 mm2"),
        Run("training pitch", 24, 275.0, ("main pitch leg", 16), conductor="2.5 mm2"),
        Run("salt hedge", 26, 40.0, ("main pitch leg", 29), conductor="2.5 mm2"),
    ),
)
_BOWLS = PathPlan("Bowls path", 2020, (Run("four sides of the green", 48, 15.0),))
_QUARRY = PathPlan(
    "Quarry path",
    2012,
    (
        Run("chapel walk", 32, 300.0),
        Run("yew terrace", 12, 350.0, ("chapel walk", 9)),
        Run("lower terrace", 12, 230.0, ("chapel walk", 17)),
        Run("rim path", 20, 20.0),
        Run("ash garden", 14, 70.0, ("rim path", 6)),
    ),
)

PROPERTIES = (
    PropertyPlan(
        "P-101",
        "Fennel Hill Park",
        "Fennel Hill 14, Alderbrook",
        40.1012,
        -3.2033,
        "Yard gate opens at seven. The yard key hangs in the pump house.",
        ((3, 15), (11, 10)),
        (
            ControllerPlan("Pump house", _TWO_OUTPUTS, _HILL),
            ControllerPlan("Bandstand", _WALL, _BANDSTAND),
        ),
    ),
    PropertyPlan(
        "P-102",
        "Otter Reach Golf Ground",
        "Ferry Lane, Otter Reach",
        40.1420,
        -3.1570,
        "Report at the starter's hut; players have the right of way.",
        ((2, 20), (11, 25)),
        (
            ControllerPlan("Club yard east", _TWO_OUTPUTS, _OUTWARD),
            ControllerPlan("Club yard west", _TWO_OUTPUTS, _HOMEWARD),
        ),
    ),
    PropertyPlan(
        "P-103",
        "Tarn Lane School",
        "Tarn Lane 3, Alderbrook",
        40.0931,
        -3.2210,
        "After half past three only, or in the holidays. Sign in at the office.",
        ((4, 1), (10, 31)),
        (ControllerPlan("Caretaker's shed", _WALL, _SCHOOL),),
    ),
    PropertyPlan(
        "P-104",
        "Bramble Courts",
        "Bramble Court 1 to 40, Lower Alder",
        40.0788,
        -3.1895,
        "Ring the warden. No vehicles on the lawns.",
        ((3, 20), (11, 5)),
        (ControllerPlan("Boiler room", _TWO_OUTPUTS, _COURTS),),
    ),
    PropertyPlan(
        "P-105",
        "Saltmarsh Sports Ground",
        "Dyke Road 60, Saltmarsh",
        40.1207,
        -3.2481,
        "No work on the pitches on match days. High water floods the dyke road.",
        ((3, 1), (11, 15)),
        (
            ControllerPlan("Stand", _WALL, _PITCHES),
            ControllerPlan("Bowls hut", _WALL, _BOWLS),
        ),
    ),
    PropertyPlan(
        "P-106",
        "Old Quarry Burial Ground",
        "Quarry Rise, Alderbrook",
        40.0869,
        -3.1702,
        "Quiet during services; the chapel bell tells. Steep edges at the rim.",
        ((4, 10), (10, 20)),
        (ControllerPlan("Chapel", _TWO_OUTPUTS, _QUARRY),),
    ),
)

TROUBLE_STRETCHES = (
    ("Hill path", "mill stream"),
    ("Outward nine", "ferry bank"),
    ("Courts path", "hornbeam hedge"),
)
