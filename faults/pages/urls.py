"""Addresses of the pages about calls, traces and findings."""

from __future__ import annotations

from django.urls import path

from faults.pages.board import board
from faults.pages.calendars import calendar
from faults.pages.calls import call_move_page, call_page, call_path_page, trace_begin
from faults.pages.closing import call_close, call_left, call_left_add
from faults.pages.crew_cards import crew_calendar, crew_calendar_revoke, crew_card_page
from faults.pages.crew_days import crew_day, my_day, visit_kept, visit_said
from faults.pages.day_plans import (
    day_plan_against,
    day_plan_cancel,
    day_plan_look,
    day_plan_move,
    day_plan_page,
    day_plan_publish,
    day_plan_take_back,
    day_plans,
)
from faults.pages.decisions import call_limit, call_soak, call_stop
from faults.pages.findings import finding_page
from faults.pages.hand_on import call_assign_page, call_wait_page, call_wake_page, hand_on
from faults.pages.hand_over import hand_over
from faults.pages.inspection_rules import inspection_rules_page
from faults.pages.intake import intake
from faults.pages.open_calls import open_calls
from faults.pages.other import trace_other
from faults.pages.parts import call_part, part_page, part_photo
from faults.pages.paths import path_page
from faults.pages.places import property_page
from faults.pages.repairs import call_repair, photo_file, repair_page, repair_photo
from faults.pages.restores import call_restore, call_restore_undo
from faults.pages.return_tests import call_return_test
from faults.pages.sound import path_sound
from faults.pages.traces import (
    trace_answer,
    trace_cannot,
    trace_finish,
    trace_page,
    trace_picture,
    trace_withdraw,
)
from faults.pages.trouble import (
    flag_move_page,
    flag_page,
    inspection_page,
    inspections,
    trouble,
)
from faults.pages.wants import call_wants
from faults.pages.work_rules import work_rules_page

urlpatterns = [
    path("", open_calls, name="open-calls"),
    path("board", board, name="board"),
    path("work-rules", work_rules_page, name="work-rules"),
    path("calendars/<slug:secret>.ics", calendar, name="calendar"),
    path("properties/<slug:public_id>", property_page, name="property"),
    path("properties/<slug:public_id>/report", intake, name="property-report"),
    path("paths/<slug:public_id>", path_page, name="path"),
    path("paths/<slug:public_id>/sound", path_sound, name="path-sound"),
    path("calls/<slug:public_id>", call_page, name="call"),
    path("calls/<slug:public_id>/move", call_move_page, name="call-move"),
    path("calls/<slug:public_id>/hand-on", hand_on, name="call-hand-on"),
    path("calls/<slug:public_id>/assign", call_assign_page, name="call-assign"),
    path("calls/<slug:public_id>/wait", call_wait_page, name="call-wait"),
    path("calls/<slug:public_id>/wake", call_wake_page, name="call-wake"),
    path("calls/<slug:public_id>/path", call_path_page, name="call-path"),
    path("calls/<slug:public_id>/trace", trace_begin, name="trace-begin"),
    path("calls/<slug:public_id>/repair", call_repair, name="call-repair"),
    path("calls/<slug:public_id>/part", call_part, name="call-part"),
    path("calls/<slug:public_id>/return-test", call_return_test, name="call-return-test"),
    path("calls/<slug:public_id>/restore", call_restore, name="call-restore"),
    path("calls/<slug:public_id>/restore/undo", call_restore_undo, name="call-restore-undo"),
    path("calls/<slug:public_id>/wants", call_wants, name="call-wants"),
    path("calls/<slug:public_id>/left", call_left, name="call-left"),
    path("calls/<slug:public_id>/left/add", call_left_add, name="call-left-add"),
    path("calls/<slug:public_id>/close", call_close, name="call-close"),
    path("calls/<slug:public_id>/hand-over", hand_over, name="call-hand-over"),
    path("calls/<slug:public_id>/limit", call_limit, name="call-limit"),
    path("calls/<slug:public_id>/stop", call_stop, name="call-stop"),
    path("calls/<slug:public_id>/soak", call_soak, name="call-soak"),
    path("repairs/<slug:public_id>", repair_page, name="repair"),
    path("repairs/<slug:public_id>/photo", repair_photo, name="repair-photo"),
    path("parts/<slug:public_id>", part_page, name="part"),
    path("parts/<slug:public_id>/photo", part_photo, name="part-photo"),
    path("photos/<slug:public_id>", photo_file, name="photo"),
    path("traces/<slug:public_id>", trace_page, name="trace"),
    path("traces/<slug:public_id>/drawing.svg", trace_picture, name="trace-drawing"),
    path("traces/<slug:public_id>/answer", trace_answer, name="trace-answer"),
    path("traces/<slug:public_id>/cannot", trace_cannot, name="trace-cannot"),
    path("traces/<slug:public_id>/withdraw", trace_withdraw, name="trace-withdraw"),
    path("traces/<slug:public_id>/end", trace_finish, name="trace-end"),
    path("traces/<slug:public_id>/other", trace_other, name="trace-other"),
    path("findings/<slug:public_id>", finding_page, name="finding"),
    path("trouble", trouble, name="trouble"),
    path("trouble/<slug:public_id>", flag_page, name="trouble-flag"),
    path("trouble/<slug:public_id>/move", flag_move_page, name="trouble-flag-move"),
    path("days", day_plans, name="day-plans"),
    path("days/mine", my_day, name="my-day"),
    path("days/<slug:public_id>", day_plan_page, name="day-plan"),
    path("days/<slug:public_id>/look", day_plan_look, name="day-plan-look"),
    path("days/<slug:public_id>/move", day_plan_move, name="day-plan-move"),
    path("days/<slug:public_id>/take-back", day_plan_take_back, name="day-plan-take-back"),
    path("days/<slug:public_id>/publish", day_plan_publish, name="day-plan-publish"),
    path("days/<slug:public_id>/call-off", day_plan_cancel, name="day-plan-call-off"),
    path("days/<slug:public_id>/against", day_plan_against, name="day-plan-against"),
    path("days/<slug:public_id>/crews/<slug:crew_id>", crew_day, name="crew-day"),
    path("visits/<slug:public_id>/say", visit_said, name="visit-say"),
    path("visits/<slug:public_id>/keep", visit_kept, name="visit-keep"),
    path("crews/<slug:public_id>/card", crew_card_page, name="crew-card"),
    path("crews/<slug:public_id>/calendar", crew_calendar, name="crew-calendar"),
    path("calendar-addresses/<slug:public_id>/end", crew_calendar_revoke, name="calendar-end"),
    path("inspections", inspections, name="inspections"),
    path("inspections/rules", inspection_rules_page, name="inspection-rules"),
    path("inspections/<slug:public_id>", inspection_page, name="inspection"),
]
