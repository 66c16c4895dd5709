"""Addresses of the pages about work and people."""

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
from fleet.dashboard.orders.releasing import release_orders, take_back_orders
from fleet.dashboard.orders.todays_orders import service_worker, todays_orders
from fleet.dashboard.orders.work_order import change_order, work_order
from fleet.dashboard.orders.work_orders import draft_order, draft_orders, work_orders
from fleet.dashboard.stock.stock import move_stock, stock, stock_file, take_move_back
from fleet.dashboard.views.evidence import evidence, evidence_file
from fleet.dashboard.views.people_and_tokens import (
    add_person,
    add_token,
    change_person,
    name_deputy,
    people_and_tokens,
    revoke_token,
)
from fleet.dashboard.views.vehicle_work import (
    agree_to_deferral,
    choose_fluid,
    clear_do_not_use,
    defer_service,
    end_chosen_fluid,
    enter_outside_work,
    lift_restriction,
    report_finding,
    set_do_not_use,
    withdraw_deferral,
)

urlpatterns = [
    path("todays-orders", todays_orders, name="todays-orders"),
    path("service-worker.js", service_worker, name="service-worker"),
    path("work-orders", work_orders, name="work-orders"),
    path("work-orders/release", release_orders, name="release-orders"),
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
    path("people-and-tokens/people", add_person, name="add-person"),
    path("people-and-tokens/people/<int:person_id>", change_person, name="change-person"),
    path("people-and-tokens/people/<int:person_id>/deputy", name_deputy, name="name-deputy"),
    path("people-and-tokens/tokens", add_token, name="add-token"),
    path("people-and-tokens/tokens/<int:token_id>/revoke", revoke_token, name="revoke-token"),
]
