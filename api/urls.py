"""Addresses below /api/v1/. Each name has its line in ``api.policy``."""

from __future__ import annotations

from django.urls import path, register_converter
from django.urls.converters import StringConverter

from api.accounts.crews import Crews, OneCrew
from api.accounts.people import Me, OnePerson, People, PersonPasswordLink
from api.accounts.tokens import OneToken, TokenRevoke, Tokens
from api.changes import Changes
from api.faults.as_left import CallAsLeftAnswers, WirePathAsLeft
from api.faults.audit import AuditEvents, AuditResource, AuditTable
from api.faults.audit_questions import AuditQuestions, AuditQuestionWithdraw, OneAuditQuestion
from api.faults.audit_reports import AuditReportContent, AuditReports, OneAuditReport
from api.faults.call_moves import CallAssign, CallMoves
from api.faults.calls import CallEvents, Calls, OneCall
from api.faults.crew_cards import (
    CalendarAddressRevoke,
    CallNeedsResource,
    CrewCalendarAddresses,
    CrewCardResource,
    CrewPosition,
)
from api.faults.day_plans import DayPlanPublish, DayPlans, OneDayPlan
from api.faults.events import Events, EventsBulk, OneEvent
from api.faults.findings import Findings, OneFinding
from api.faults.inspections import (
    InspectionDone,
    InspectionRulesResource,
    Inspections,
    InspectionSkipped,
    OneInspection,
)
from api.faults.observations import Observations, ObservationVoidings
from api.faults.partial_restores import CallPartialRestore, CallPartialRestoreProposal
from api.faults.photos import OnePhoto, PhotoContent, RemovedPartPhotos, RepairPhotos
from api.faults.plan_changes import DayPlanComparison, DayPlanMoves, DayPlanTakeBack
from api.faults.removed_parts import CallRemovedParts, OneRemovedPart
from api.faults.repairs import CallRepairs, OneRepair, RepairFailures
from api.faults.return_tests import CallReturnTests
from api.faults.soak_checks import OneSoakCheck, SoakCheckDone, SoakChecks
from api.faults.sound_records import WirePathSoundRecords
from api.faults.stop_questions import CallLimits, CallStopQuestions
from api.faults.traces import OneTrace, TraceEnd, TraceNext, Traces
from api.faults.trouble_flags import (
    OneRecurrenceRun,
    OneTroubleFlag,
    RecurrenceRuns,
    TroubleFlagEvents,
    TroubleFlagMoves,
    TroubleFlags,
)
from api.faults.visits import OneVisit, VisitMoves, Visits
from api.faults.work_rules import WorkRulesResource
from api.jobs import JobAskAgain, JobCancel, Jobs, OneJob
from api.schema import SchemaView
from api.sites.controllers import ControllerEnd, Controllers, ControllerSeasons, OneController
from api.sites.devices import Devices, OneDevice
from api.sites.maps import (
    ControllerWirePaths,
    WirePathCorrections,
    WirePathFigures,
    WirePathGeojson,
    WirePathSurvey,
)
from api.sites.properties import OneProperty, Properties, PropertyEnd
from api.sites.wire_paths import OneWirePath, WirePathEnd, WirePathRevisions, WirePaths


class PublicIdConverter(StringConverter):
    """A public id: the prefix of its kind and a ULID."""

    regex = "[a-z]{2,6}_[0-9a-z]{26}"


register_converter(PublicIdConverter, "public_id")

app_name = "api"

urlpatterns = [
    path("me", Me.as_view(), name="me"),
    path("openapi.json", SchemaView.as_view(), name="schema"),
    path("people", People.as_view(), name="people"),
    path("people/<public_id:public_id>", OnePerson.as_view(), name="person"),
    path(
        "people/<public_id:public_id>/password-link",
        PersonPasswordLink.as_view(),
        name="person-password-link",
    ),
    path("crews", Crews.as_view(), name="crews"),
    path("crews/<public_id:public_id>", OneCrew.as_view(), name="crew"),
    path("tokens", Tokens.as_view(), name="tokens"),
    path("tokens/<public_id:public_id>", OneToken.as_view(), name="token"),
    path("tokens/<public_id:public_id>/revoke", TokenRevoke.as_view(), name="token-revoke"),
    path("properties", Properties.as_view(), name="properties"),
    path("properties/<public_id:public_id>", OneProperty.as_view(), name="property"),
    path("properties/<public_id:public_id>/end", PropertyEnd.as_view(), name="property-end"),
    path("controllers", Controllers.as_view(), name="controllers"),
    path("controllers/<public_id:public_id>", OneController.as_view(), name="controller"),
    path("controllers/<public_id:public_id>/end", ControllerEnd.as_view(), name="controller-end"),
    path(
        "controllers/<public_id:public_id>/seasons",
        ControllerSeasons.as_view(),
        name="controller-seasons",
    ),
    path(
        "controllers/<public_id:public_id>/wire-paths",
        ControllerWirePaths.as_view(),
        name="controller-wire-paths",
    ),
    path("wire-paths", WirePaths.as_view(), name="wire-paths"),
    path("wire-paths/<public_id:public_id>", OneWirePath.as_view(), name="wire-path"),
    path("wire-paths/<public_id:public_id>/end", WirePathEnd.as_view(), name="wire-path-end"),
    path(
        "wire-paths/<public_id:public_id>/revisions",
        WirePathRevisions.as_view(),
        name="wire-path-revisions",
    ),
    path(
        "wire-paths/<public_id:public_id>/survey", WirePathSurvey.as_view(), name="wire-path-survey"
    ),
    path(
        "wire-paths/<public_id:public_id>/corrections",
        WirePathCorrections.as_view(),
        name="wire-path-corrections",
    ),
    path(
        "wire-paths/<public_id:public_id>/geojson",
        WirePathGeojson.as_view(),
        name="wire-path-geojson",
    ),
    path(
        "wire-paths/<public_id:public_id>/figures",
        WirePathFigures.as_view(),
        name="wire-path-figures",
    ),
    path(
        "wire-paths/<public_id:public_id>/as-left",
        WirePathAsLeft.as_view(),
        name="wire-path-as-left",
    ),
    path(
        "wire-paths/<public_id:public_id>/sound-records",
        WirePathSoundRecords.as_view(),
        name="wire-path-sound-records",
    ),
    path("devices", Devices.as_view(), name="devices"),
    path("devices/<public_id:public_id>", OneDevice.as_view(), name="device"),
    path("events", Events.as_view(), name="events"),
    path("events/bulk", EventsBulk.as_view(), name="events-bulk"),
    path("events/<public_id:public_id>", OneEvent.as_view(), name="event"),
    path("calls", Calls.as_view(), name="calls"),
    path("calls/<public_id:public_id>", OneCall.as_view(), name="call"),
    path("calls/<public_id:public_id>/moves", CallMoves.as_view(), name="call-moves"),
    path("calls/<public_id:public_id>/assign", CallAssign.as_view(), name="call-assign"),
    path("calls/<public_id:public_id>/events", CallEvents.as_view(), name="call-events"),
    path("calls/<public_id:public_id>/repairs", CallRepairs.as_view(), name="call-repairs"),
    path(
        "calls/<public_id:public_id>/removed-parts",
        CallRemovedParts.as_view(),
        name="call-removed-parts",
    ),
    path(
        "calls/<public_id:public_id>/return-tests",
        CallReturnTests.as_view(),
        name="call-return-tests",
    ),
    path(
        "calls/<public_id:public_id>/partial-restore",
        CallPartialRestore.as_view(),
        name="call-partial-restore",
    ),
    path(
        "calls/<public_id:public_id>/partial-restore/proposal",
        CallPartialRestoreProposal.as_view(),
        name="call-partial-restore-proposal",
    ),
    path(
        "calls/<public_id:public_id>/as-left-answers",
        CallAsLeftAnswers.as_view(),
        name="call-as-left-answers",
    ),
    path(
        "calls/<public_id:public_id>/stop-questions",
        CallStopQuestions.as_view(),
        name="call-stop-questions",
    ),
    path("calls/<public_id:public_id>/limits", CallLimits.as_view(), name="call-limits"),
    path("traces", Traces.as_view(), name="traces"),
    path("traces/<public_id:public_id>", OneTrace.as_view(), name="trace"),
    path("traces/<public_id:public_id>/next", TraceNext.as_view(), name="trace-next"),
    path("traces/<public_id:public_id>/end", TraceEnd.as_view(), name="trace-end"),
    path("traces/<public_id:public_id>/observations", Observations.as_view(), name="observations"),
    path(
        "traces/<public_id:public_id>/voidings",
        ObservationVoidings.as_view(),
        name="observation-voidings",
    ),
    path("findings", Findings.as_view(), name="findings"),
    path("findings/<public_id:public_id>", OneFinding.as_view(), name="finding"),
    path("repairs/<public_id:public_id>", OneRepair.as_view(), name="repair"),
    path(
        "repairs/<public_id:public_id>/failures", RepairFailures.as_view(), name="repair-failures"
    ),
    path("repairs/<public_id:public_id>/photos", RepairPhotos.as_view(), name="repair-photos"),
    path("removed-parts/<public_id:public_id>", OneRemovedPart.as_view(), name="removed-part"),
    path(
        "removed-parts/<public_id:public_id>/photos",
        RemovedPartPhotos.as_view(),
        name="removed-part-photos",
    ),
    path("photos/<public_id:public_id>", OnePhoto.as_view(), name="photo"),
    path("photos/<public_id:public_id>/content", PhotoContent.as_view(), name="photo-content"),
    path("soak-checks", SoakChecks.as_view(), name="soak-checks"),
    path("soak-checks/<public_id:public_id>", OneSoakCheck.as_view(), name="soak-check"),
    path("soak-checks/<public_id:public_id>/done", SoakCheckDone.as_view(), name="soak-check-done"),
    path("audit", AuditResource.as_view(), name="audit"),
    path("audit/events", AuditEvents.as_view(), name="audit-events"),
    path("audit/table", AuditTable.as_view(), name="audit-table"),
    path("audit-questions", AuditQuestions.as_view(), name="audit-questions"),
    path(
        "audit-questions/<public_id:public_id>", OneAuditQuestion.as_view(), name="audit-question"
    ),
    path(
        "audit-questions/<public_id:public_id>/withdraw",
        AuditQuestionWithdraw.as_view(),
        name="audit-question-withdraw",
    ),
    path("audit-reports", AuditReports.as_view(), name="audit-reports"),
    path("audit-reports/<public_id:public_id>", OneAuditReport.as_view(), name="audit-report"),
    path(
        "audit-reports/<public_id:public_id>/content",
        AuditReportContent.as_view(),
        name="audit-report-content",
    ),
    path("trouble-flags", TroubleFlags.as_view(), name="trouble-flags"),
    path("trouble-flags/<public_id:public_id>", OneTroubleFlag.as_view(), name="trouble-flag"),
    path(
        "trouble-flags/<public_id:public_id>/events",
        TroubleFlagEvents.as_view(),
        name="trouble-flag-events",
    ),
    path(
        "trouble-flags/<public_id:public_id>/moves",
        TroubleFlagMoves.as_view(),
        name="trouble-flag-moves",
    ),
    path("recurrence-runs", RecurrenceRuns.as_view(), name="recurrence-runs"),
    path(
        "recurrence-runs/<public_id:public_id>", OneRecurrenceRun.as_view(), name="recurrence-run"
    ),
    path("inspections", Inspections.as_view(), name="inspections"),
    path("inspections/<public_id:public_id>", OneInspection.as_view(), name="inspection"),
    path(
        "inspections/<public_id:public_id>/done", InspectionDone.as_view(), name="inspection-done"
    ),
    path(
        "inspections/<public_id:public_id>/skip",
        InspectionSkipped.as_view(),
        name="inspection-skip",
    ),
    path("inspection-rules", InspectionRulesResource.as_view(), name="inspection-rules"),
    path("work-rules", WorkRulesResource.as_view(), name="work-rules"),
    path("jobs", Jobs.as_view(), name="jobs"),
    path("jobs/<public_id:public_id>", OneJob.as_view(), name="job"),
    path("jobs/<public_id:public_id>/cancel", JobCancel.as_view(), name="job-cancel"),
    path("jobs/<public_id:public_id>/ask-again", JobAskAgain.as_view(), name="job-ask-again"),
    path("changes", Changes.as_view(), name="changes"),
    path("crews/<public_id:public_id>/card", CrewCardResource.as_view(), name="crew-card"),
    path("crews/<public_id:public_id>/position", CrewPosition.as_view(), name="crew-position"),
    path(
        "crews/<public_id:public_id>/calendar-addresses",
        CrewCalendarAddresses.as_view(),
        name="crew-calendar-addresses",
    ),
    path(
        "calendar-addresses/<public_id:public_id>/revoke",
        CalendarAddressRevoke.as_view(),
        name="calendar-address-revoke",
    ),
    path("calls/<public_id:public_id>/needs", CallNeedsResource.as_view(), name="call-needs"),
    path("day-plans", DayPlans.as_view(), name="day-plans"),
    path("day-plans/<public_id:public_id>", OneDayPlan.as_view(), name="day-plan"),
    path(
        "day-plans/<public_id:public_id>/publish",
        DayPlanPublish.as_view(),
        name="day-plan-publish",
    ),
    path("day-plans/<public_id:public_id>/moves", DayPlanMoves.as_view(), name="day-plan-moves"),
    path(
        "day-plans/<public_id:public_id>/take-back",
        DayPlanTakeBack.as_view(),
        name="day-plan-take-back",
    ),
    path(
        "day-plans/<public_id:public_id>/comparison",
        DayPlanComparison.as_view(),
        name="day-plan-comparison",
    ),
    path("visits", Visits.as_view(), name="visits"),
    path("visits/<public_id:public_id>", OneVisit.as_view(), name="visit"),
    path("visits/<public_id:public_id>/moves", VisitMoves.as_view(), name="visit-moves"),
]
