"""Addresses of the pages about work and people."""

from django.urls import path

from fleet.dashboard.views.job_card import job_card, order_code, photo, record_work
from fleet.dashboard.views.todays_orders import service_worker, todays_orders
from fleet.dashboard.views.work_order import change_order, work_order
from fleet.dashboard.views.work_orders import (
    answer_question,
    draft_order,
    release_orders,
    settle_job,
    work_orders,
)

urlpatterns = [
    path("todays-orders", todays_orders, name="todays-orders"),
    path("service-worker.js", service_worker, name="service-worker"),
    path("work-orders", work_orders, name="work-orders"),
    path("work-orders/release", release_orders, name="release-orders"),
    path("work-orders/draft", draft_order, name="draft-order"),
    path("work-orders/questions/<int:question_id>", answer_question, name="answer-question"),
    path("work-orders/jobs/<int:job_id>", settle_job, name="settle-job"),
    path("work-orders/<str:number>", work_order, name="work-order"),
    path("work-orders/<str:number>/change", change_order, name="change-order"),
    path("work-orders/<str:number>/card", job_card, name="job-card"),
    path("work-orders/<str:number>/records", record_work, name="record-work"),
    path("work-orders/<str:number>/code.svg", order_code, name="order-code"),
    path("photos/<int:photo_id>", photo, name="photo"),
]
