"""Addresses of the pages; the name of a page is also that of its view, template and CSS file."""

from django.urls import path, re_path

from fleet.dashboard.findings.findings import change_finding, findings
from fleet.dashboard.orders.costs import costs, costs_file
from fleet.dashboard.orders.decisions import (
    answer_question,
    answer_questions,
    settle_job,
    settle_jobs,
)
from fleet.dashboard.orders.job_card import job_card, order_code, photo, record_work
from fleet.dashboard.orders.order_papers import (
    add_papers,
    approve_substitute,
    order_papers,
    withdraw_record,
    withdraw_substitute,
)
from fleet.dashboard.orders.releasing import plan_orders, release_orders, take_back_orders
from fleet.dashboard.orders.todays_orders import service_worker, todays_orders
from fleet.dashboard.orders.work_order import change_order, work_order
from fleet.dashboard.orders.work_orders import draft_order, draft_orders, work_orders
from fleet.dashboard.readings.correct_row import correct_row
from fleet.dashboard.readings.readings import (
    mend_upload,
    readings,
    readings_more,
    settle_reading,
    upload,
    upload_file,
    upload_rows,
    upload_state,
    withdraw_upload,
)
from fleet.dashboard.readings.settle_many import settle_readings
from fleet.dashboard.readings.settlements import settlements, withdraw_settlement
from fleet.dashboard.signin import sign_in, sign_in_by_link, sign_out
from fleet.dashboard.stock.consumables import (
    collect_used_fluid,
    consumables,
    consumables_file,
    give_up_order,
    order_proposed,
    transfer_proposed,
)
from fleet.dashboard.stock.proposals import order_all_proposed
from fleet.dashboard.stock.stock import move_stock, stock, stock_file, take_move_back
from fleet.dashboard.trials.field_trial import change_trial, field_trial, field_trial_chart
from fleet.dashboard.trials.field_trials import field_trials, set_up_trial
from fleet.dashboard.trials.rate import rate
from fleet.dashboard.views.api_reference import api_reference
from fleet.dashboard.views.baselines import baselines, enter_baseline_rows
from fleet.dashboard.views.climate import climate, take_in_climate
from fleet.dashboard.views.due import due, due_file, forget_view, save_view
from fleet.dashboard.views.evidence import evidence, evidence_file
from fleet.dashboard.views.home import home
from fleet.dashboard.views.method import method, method_chart, start_backtest
from fleet.dashboard.views.overview import (
    happened_since,
    overview,
    overview_chart,
    overview_file,
)
from fleet.dashboard.views.overview_need import overview_need
from fleet.dashboard.views.people_and_tokens import (
    add_person,
    add_token,
    change_person,
    forget_person,
    name_deputy,
    people_and_tokens,
    read_in,
    revoke_token,
)
from fleet.dashboard.views.runs import runs, start_night
from fleet.dashboard.views.vehicle import (
    add_reading,
    find_vehicle,
    override_duty,
    vehicle,
    vehicle_chart,
    vehicle_readings,
    vehicle_then,
    why,
)
from fleet.dashboard.views.vehicle_work import (
    agree_to_deferral,
    choose_fluid,
    clear_do_not_use,
    correct_other_work,
    defer_service,
    end_chosen_fluid,
    end_other_work,
    enter_other_work,
    enter_outside_work,
    lift_restriction,
    report_finding,
    set_do_not_use,
    withdraw_deferral,
)
from fleet.dashboard.views.what_if import (
    ask_what_if,
    delete_what_if,
    one_what_if,
    what_if,
    what_if_changes,
    what_if_chart,
    what_if_file,
    what_if_state,
)
from fleet.dashboard.views.workbook import (
    one_load,
    one_workbook,
    send_workbook,
    take_up_workbook,
    withdraw_load,
    workbook,
    workbook_file,
    workbook_state,
)
from fleet.dashboard.visits.calendar import depot_calendar, end_calendar, make_calendar
from fleet.dashboard.visits.publish_days import publish_days
from fleet.dashboard.visits.visit import change_visit, visit
from fleet.dashboard.visits.workshop_days import plan_anew, planning_state, workshop_days

urlpatterns = [
    path("", home, name="home"),
    path("overview", overview, name="overview"),
    path("overview/since", happened_since, name="happened-since"),
    path("overview/needs/<slug:kind>", overview_need, name="overview-need"),
    re_path(r"^overview/(?P<drawing>weeks|late)$", overview_chart, name="overview-chart"),
    re_path(
        r"^overview/(?P<drawing>weeks|late)\.(?P<ending>csv|xlsx)$",
        overview_file,
        name="overview-file",
    ),
    path("due", due, name="due"),
    re_path(r"^due\.(?P<ending>csv|xlsx)$", due_file, name="due-file"),
    path("due/lists", save_view, name="save-view"),
    path("due/lists/<int:view_id>/forget", forget_view, name="forget-view"),
    path("baselines", baselines, name="baselines"),
    path("baselines/enter", enter_baseline_rows, name="enter-baseline-rows"),
    path("vehicles", find_vehicle, name="find-vehicle"),
    path("vehicles/<str:fleet_number>", vehicle, name="vehicle"),
    path("vehicles/<str:fleet_number>/chart", vehicle_chart, name="vehicle-chart"),
    path("vehicles/<str:fleet_number>/readings", vehicle_readings, name="vehicle-readings"),
    path("vehicles/<str:fleet_number>/readings/add", add_reading, name="add-reading"),
    path("vehicles/<str:fleet_number>/then", vehicle_then, name="vehicle-then"),
    path("vehicles/<str:fleet_number>/duty", override_duty, name="override-duty"),
    path("vehicles/<str:fleet_number>/services/<slug:service>/why", why, name="why"),
    path("readings", readings, name="readings"),
    path("readings/held", readings_more, name="readings-more"),
    path("readings/settle", settle_readings, name="settle-readings"),
    path("readings/settlements", settlements, name="settlements"),
    path(
        "readings/settlements/<int:settlement_id>/withdraw",
        withdraw_settlement,
        name="withdraw-settlement",
    ),
    path("readings/<int:reading_id>/settle", settle_reading, name="settle-reading"),
    path("readings/uploads", upload, name="upload"),
    path("readings/uploads/<int:upload_id>", upload_rows, name="upload-rows"),
    path("readings/uploads/<int:upload_id>/mend", mend_upload, name="mend-upload"),
    path(
        "readings/uploads/<int:upload_id>/rows/<int:row_number>/correct",
        correct_row,
        name="correct-row",
    ),
    path("readings/uploads/<int:upload_id>/withdraw", withdraw_upload, name="withdraw-upload"),
    path("readings/uploads/<int:upload_id>/state", upload_state, name="upload-state"),
    re_path(
        r"^readings/uploads/(?P<upload_id>\d+)\.(?P<ending>csv|xlsx)$",
        upload_file,
        name="upload-file",
    ),
    path("consumables/proposals/<int:proposal_id>", order_proposed, name="order-proposed"),
    path("consumables/proposals", order_all_proposed, name="order-all-proposed"),
    path("consumables/transfers/<int:proposal_id>", transfer_proposed, name="transfer-proposed"),
    path("consumables/orders/<int:arrival_id>", give_up_order, name="give-up-order"),
    path("consumables/used-fluid", collect_used_fluid, name="collect-used-fluid"),
    path("consumables", consumables, name="consumables"),
    re_path(r"^consumables\.(?P<ending>csv|xlsx)$", consumables_file, name="consumables-file"),
    path("runs", runs, name="runs"),
    path("runs/night", start_night, name="start-night"),
    path("climate", climate, name="climate"),
    path("climate/take-in", take_in_climate, name="take-in-climate"),
    path("what-if", what_if, name="what-if"),
    path("what-if/asked", ask_what_if, name="ask-what-if"),
    path("what-if/changes.xlsx", what_if_changes, name="what-if-examples"),
    path("what-if/<int:asked_id>", one_what_if, name="one-what-if"),
    path("what-if/<int:asked_id>/state", what_if_state, name="what-if-state"),
    re_path(
        r"^what-if/(?P<asked_id>[0-9]{1,18})/(?P<sight>difference|both)\.json$",
        what_if_chart,
        name="what-if-chart",
    ),
    re_path(
        r"^what-if/(?P<asked_id>[0-9]{1,18})/figures\.(?P<ending>csv|xlsx)$",
        what_if_file,
        name="what-if-file",
    ),
    path("what-if/<int:asked_id>/changes.xlsx", what_if_changes, name="what-if-changes"),
    path("what-if/<int:asked_id>/delete", delete_what_if, name="delete-what-if"),
    path("workbook", workbook, name="workbook"),
    re_path(r"^workbook/(?P<what>template|fleet)\.xlsx$", workbook_file, name="workbook-file"),
    path("workbook/sent", send_workbook, name="send-workbook"),
    path("workbook/loads/<int:load_id>", one_load, name="one-load"),
    path("workbook/loads/<int:load_id>/withdraw", withdraw_load, name="withdraw-load"),
    path("workbook/sent/<int:sent_id>", one_workbook, name="one-workbook"),
    path("workbook/sent/<int:sent_id>/state", workbook_state, name="workbook-state"),
    path("workbook/sent/<int:sent_id>/take-up", take_up_workbook, name="take-up-workbook"),
    path("api-reference", api_reference, name="api-reference"),
    path("method", method, name="method"),
    re_path(r"^method/(?P<chart>coverage|skill|pit)$", method_chart, name="method-chart"),
    path("method/score", start_backtest, name="start-backtest"),
    path("sign-in", sign_in, name="sign-in"),
    path("sign-in/link/<str:secret>", sign_in_by_link, name="sign-in-link"),
    path("sign-out", sign_out, name="sign-out"),
    # --- work, stock, findings, people
    path("todays-orders", todays_orders, name="todays-orders"),
    path("service-worker.js", service_worker, name="service-worker"),
    path("work-orders", work_orders, name="work-orders"),
    path("work-orders/release", release_orders, name="release-orders"),
    path("work-orders/plan", plan_orders, name="plan-orders"),
    path("work-orders/take-back", take_back_orders, name="take-back-orders"),
    path("work-orders/draft", draft_order, name="draft-order"),
    path("work-orders/draft-many", draft_orders, name="draft-orders"),
    path("work-orders/questions", answer_questions, name="answer-questions"),
    path("work-orders/questions/<int:question_id>", answer_question, name="answer-question"),
    path("work-orders/jobs", settle_jobs, name="settle-jobs"),
    path("work-orders/jobs/<int:job_id>", settle_job, name="settle-job"),
    path("work-orders/<str:number>", work_order, name="work-order"),
    path("work-orders/<str:number>/change", change_order, name="change-order"),
    path("work-orders/<str:number>/card", job_card, name="job-card"),
    path("work-orders/<str:number>/records", record_work, name="record-work"),
    path(
        "work-orders/<str:number>/records/<slug:kind>/<int:record_id>/withdraw",
        withdraw_record,
        name="withdraw-record",
    ),
    path("work-orders/<str:number>/papers", order_papers, name="order-papers"),
    path("work-orders/<str:number>/papers/add", add_papers, name="add-papers"),
    path("work-orders/<str:number>/substitutes", approve_substitute, name="approve-substitute"),
    path(
        "work-orders/<str:number>/substitutes/<int:substitute_id>/withdraw",
        withdraw_substitute,
        name="withdraw-substitute",
    ),
    path("work-orders/<str:number>/code.svg", order_code, name="order-code"),
    path("photos/<int:photo_id>", photo, name="photo"),
    path("costs", costs, name="costs"),
    re_path(r"^costs\.(?P<ending>csv|xlsx)$", costs_file, name="costs-file"),
    path("stock", stock, name="stock"),
    re_path(r"^stock\.(?P<ending>csv|xlsx)$", stock_file, name="stock-file"),
    path("stock/moves", move_stock, name="move-stock"),
    path("stock/moves/<int:move_id>/take-back", take_move_back, name="take-move-back"),
    path("findings", findings, name="findings"),
    path("findings/<int:finding_id>", change_finding, name="change-finding"),
    path("deferrals/<int:deferral_id>/agree", agree_to_deferral, name="agree-to-deferral"),
    path("deferrals/<int:deferral_id>/withdraw", withdraw_deferral, name="withdraw-deferral"),
    path("vehicles/<str:fleet_number>/other-work", enter_other_work, name="enter-other-work"),
    path(
        "vehicles/<str:fleet_number>/other-work/correct",
        correct_other_work,
        name="correct-other-work",
    ),
    path("vehicles/<str:fleet_number>/other-work/end", end_other_work, name="end-other-work"),
    path("vehicles/<str:fleet_number>/findings", report_finding, name="report-finding"),
    path("vehicles/<str:fleet_number>/do-not-use", set_do_not_use, name="set-do-not-use"),
    path("vehicles/<str:fleet_number>/clear", clear_do_not_use, name="clear-do-not-use"),
    path("vehicles/<str:fleet_number>/lift", lift_restriction, name="lift-restriction"),
    path("vehicles/<str:fleet_number>/fluids", choose_fluid, name="choose-fluid"),
    path("vehicles/<str:fleet_number>/fluids/end", end_chosen_fluid, name="end-chosen-fluid"),
    path("vehicles/<str:fleet_number>/defer", defer_service, name="defer-service"),
    path("vehicles/<str:fleet_number>/outside", enter_outside_work, name="enter-outside-work"),
    path("vehicles/<str:fleet_number>/evidence", evidence, name="evidence"),
    re_path(
        r"^vehicles/(?P<fleet_number>[^/]+)/evidence\.(?P<ending>csv|xlsx)$",
        evidence_file,
        name="evidence-file",
    ),
    path("people-and-tokens", people_and_tokens, name="people-and-tokens"),
    path("people-and-tokens/read-in", read_in, name="read-in"),
    path("people-and-tokens/people", add_person, name="add-person"),
    path("people-and-tokens/people/<int:person_id>", change_person, name="change-person"),
    path("people-and-tokens/people/<int:person_id>/forget", forget_person, name="forget-person"),
    path("people-and-tokens/people/<int:person_id>/deputy", name_deputy, name="name-deputy"),
    path("people-and-tokens/tokens", add_token, name="add-token"),
    path("people-and-tokens/tokens/<int:token_id>/revoke", revoke_token, name="revoke-token"),
    # --- field trials
    path("field-trials", field_trials, name="field-trials"),
    path("field-trials/set-up", set_up_trial, name="set-up-trial"),
    path("field-trials/<slug:slug>", field_trial, name="field-trial"),
    path("field-trials/<slug:slug>/change", change_trial, name="change-trial"),
    path("field-trials/<slug:slug>/rate", rate, name="rate"),
    re_path(
        r"^field-trials/(?P<slug>[-\w]+)/charts/(?P<chart>[-\w]+)$",
        field_trial_chart,
        name="field-trial-chart",
    ),
    # --- workshop days
    path("workshop-days", workshop_days, name="workshop-days"),
    path("workshop-days/plan", plan_anew, name="plan-anew"),
    path("workshop-days/plan/state", planning_state, name="planning-state"),
    path("workshop-days/publish", publish_days, name="publish-days"),
    path("workshop-days/calendar", make_calendar, name="make-calendar"),
    path("workshop-days/calendar/<int:feed_id>/end", end_calendar, name="end-calendar"),
    path("calendar/<str:secret>.ics", depot_calendar, name="depot-calendar"),
    path("workshop-days/visits/<int:visit_id>", visit, name="visit"),
    path("workshop-days/visits/<int:visit_id>/change", change_visit, name="change-visit"),
]
