"""Addresses of the pages of ``sites``. The page of one property also shows its calls, so it
stands with these."""

from __future__ import annotations

from django.urls import path

from sites.pages.paths import path_page, path_picture
from sites.pages.properties import properties

urlpatterns = [
    path("properties", properties, name="properties"),
    path("paths/<slug:public_id>", path_page, name="path"),
    path("paths/<slug:public_id>/drawing.svg", path_picture, name="path-drawing"),
]
