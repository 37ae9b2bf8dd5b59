"""Reading devices over all wire paths."""

from __future__ import annotations

from django.db.models import QuerySet

from core.problems import NotFound
from sites.models.device import Device
from sites.models.wire_path import WirePath


def device_list(path: WirePath | None = None) -> QuerySet[Device]:
    """Devices that are live on the maps, of one path or all; the path joined: one query."""
    devices = Device.objects.select_related("path").filter(to_revision__isnull=True)
    return devices if path is None else devices.filter(path=path)


def device_rows(public_id: str) -> QuerySet[Device]:
    """All rows that a device had over the revisions, newest first; the path joined: one query."""
    rows = Device.objects.select_related("path").filter(public_id=public_id)
    return rows.order_by("-from_revision")


def device_get(public_id: str) -> Device:
    """The newest row of a device, live or ended: one query. Raises NotFound."""
    found = device_rows(public_id).first()
    if found is None:
        raise NotFound(f"There is no device {public_id}.")
    return found
