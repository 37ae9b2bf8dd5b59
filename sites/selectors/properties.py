"""Reading properties, controllers and their seasons."""

from __future__ import annotations

from django.db.models import Prefetch, QuerySet

from core.problems import NotFound
from sites.models.controller import Controller, Season
from sites.models.property import Property
from sites.models.wire_path import WirePath


def property_list(*, with_ended: bool = False) -> QuerySet[Property]:
    """Properties by name. Prefetched: live controllers, and their live wire paths.

    Three queries, however many properties.
    """
    places = Property.objects.order_by("name", "pk").prefetch_related(
        Prefetch(
            "controllers",
            Controller.objects.filter(ended_at__isnull=True).order_by("name", "pk"),
        ),
        Prefetch("controllers__paths", _live_paths()),
    )
    return places if with_ended else places.filter(ended_at__isnull=True)


def property_get(public_id: str) -> Property:
    """A property, prefetched as in ``property_list``: three queries. Raises NotFound."""
    found = property_list(with_ended=True).filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no property {public_id}.")
    return found


def property_by_external_id(external_id: str) -> Property | None:
    """The property that another system names so: one query."""
    return Property.objects.filter(external_id=external_id).exclude(external_id="").first()


def controller_list(
    place: Property | None = None, *, with_ended: bool = False
) -> QuerySet[Controller]:
    """Controllers, of one property or all, oldest first. Joined: the property; prefetched: live
    wire paths and seasons.

    Three queries, however many controllers.
    """
    controllers = (
        Controller.objects.select_related("property")
        .prefetch_related(
            Prefetch("paths", _live_paths()),
            Prefetch("seasons", _live_seasons()),
        )
        .order_by("pk")
    )
    if place is not None:
        controllers = controllers.filter(property=place)
    return controllers if with_ended else controllers.filter(ended_at__isnull=True)


def controller_get(public_id: str) -> Controller:
    """A controller, prefetched as in ``controller_list``: three queries. Raises NotFound."""
    found = controller_list(with_ended=True).filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no controller {public_id}.")
    return found


def season_list(controller: Controller) -> QuerySet[Season]:
    """The seasons of a controller in the order of their days: one query."""
    return _live_seasons().filter(controller=controller)


def _live_paths() -> QuerySet[WirePath]:
    return WirePath.objects.filter(ended_at__isnull=True).order_by("pk")


def _live_seasons() -> QuerySet[Season]:
    return Season.objects.filter(withdrawn_at__isnull=True).order_by("starts_on")
