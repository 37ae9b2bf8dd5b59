"""The tables of ``sites``; imported here so that Django finds them."""

from sites.models.controller import Controller, Season
from sites.models.device import Device, Node, Segment
from sites.models.map_row import RowKind, RowLineage
from sites.models.property import Property
from sites.models.wire_path import PathRevision, WirePath

__all__ = [
    "Controller",
    "Device",
    "Node",
    "PathRevision",
    "Property",
    "RowKind",
    "RowLineage",
    "Season",
    "Segment",
    "WirePath",
]
