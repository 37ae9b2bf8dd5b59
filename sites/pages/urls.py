"""Addresses of the pages of ``sites``. The pages of one property and of one path also show its
calls and what is left on it, so they stand with these."""

from __future__ import annotations

from django.urls import path

from sites.pages.paths import path_picture
from sites.pages.properties import properties
from sites.pages.seasons import controller_seasons
from sites.pages.surveys import controller_survey, path_survey

urlpatterns = [
    path("properties", properties, name="properties"),
    path("paths/<slug:public_id>/drawing.svg", path_picture, name="path-drawing"),
    path("controllers/<slug:public_id>/seasons", controller_seasons, name="controller-seasons"),
    path("controllers/<slug:public_id>/survey", controller_survey, name="controller-survey"),
    path("paths/<slug:public_id>/survey", path_survey, name="path-survey"),
]
