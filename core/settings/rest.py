"""Settings of the REST API."""

from __future__ import annotations

from typing import Any

REST_FRAMEWORK: dict[str, Any] = {
    "DEFAULT_AUTHENTICATION_CLASSES": ["api.authentication.ActorAuthentication"],
    # Who may do what is decided by api.policy, in the base of all views.
    "DEFAULT_PERMISSION_CLASSES": [],
    "DEFAULT_THROTTLE_CLASSES": [],
    "DEFAULT_PARSER_CLASSES": ["api.parsing.StrictJSONParser"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_CONTENT_NEGOTIATION_CLASS": "api.negotiation.OneForm",
    "DEFAULT_METADATA_CLASS": None,
    "DEFAULT_SCHEMA_CLASS": "api.schema.ApiSchema",
    "EXCEPTION_HANDLER": "api.problems.drf_exception_handler",
    "UNAUTHENTICATED_USER": None,
    "UNAUTHENTICATED_TOKEN": None,
    "URL_FORMAT_OVERRIDE": None,
}

SPECTACULAR_SETTINGS: dict[str, Any] = {
    "TITLE": "Clampline",
    "VERSION": "1",
    "DESCRIPTION": "Locates overcurrent faults on buried two-wire irrigation control paths.",
    "OAS_VERSION": "3.1.0",
    "SERVE_INCLUDE_SCHEMA": True,
    "SCHEMA_PATH_PREFIX": "/api/v1/",
    "DISABLE_ERRORS_AND_WARNINGS": False,
    "ENUM_GENERATE_CHOICE_DESCRIPTION": False,
    "ENUM_NAME_OVERRIDES": {
        "CallOutcome": "faults.transitions.CallOutcome.values",
        "CallState": "faults.transitions.CallState.values",
        "EventKind": "faults.models.event.EventKind.values",
        "EventTaken": ["created", "replayed", "refused"],
        "JobState": "core.models.jobs.JobState.values",
        "Role": "core.accounts.actor.Role.values",
        "TokenScope": "core.accounts.actor.TokenScope.values",
        "TraceOutcome": "faults.models.trace.TraceOutcome.values",
        "Urgency": "faults.models.call.Urgency.values",
        "PlanState": "faults.models.dispatch.PlanState.values",
        "VisitState": "faults.models.dispatch.VisitState.values",
        "MapKind": ["path", "node", "segment", "device"],
        "AskerKind": ["person", "token"],
        "ActorKind": ["person", "token", "system"],
    },
    "COMPONENT_SPLIT_REQUEST": False,
    "COMPONENT_SPLIT_PATCH": False,
    "PATH_CONVERTER_OVERRIDES": {
        "public_id": {"type": "string", "pattern": "^[a-z]{2,6}_[0-9a-z]{26}$"}
    },
}

# Requests of one person or token in so many seconds; "heavy" ones solve networks or take surveys.
API_LIMITS: dict[str, tuple[int, int]] = {"usual": (1200, 60), "heavy": (240, 60)}
