"""Addresses of the pages about workshop days."""

from django.urls import path

from fleet.dashboard.visits.calendar import depot_calendar, end_calendar, make_calendar
from fleet.dashboard.visits.publish_days import publish_days
from fleet.dashboard.visits.visit import change_visit, visit
from fleet.dashboard.visits.workshop_days import plan_anew, workshop_days

urlpatterns = [
    path("workshop-days", workshop_days, name="workshop-days"),
    path("workshop-days/plan", plan_anew, name="plan-anew"),
    path("workshop-days/publish", publish_days, name="publish-days"),
    path("workshop-days/calendar", make_calendar, name="make-calendar"),
    path("workshop-days/calendar/<int:feed_id>/end", end_calendar, name="end-calendar"),
    path("calendar/<str:secret>.ics", depot_calendar, name="depot-calendar"),
    path("workshop-days/visits/<int:visit_id>", visit, name="visit"),
    path("workshop-days/visits/<int:visit_id>/change", change_visit, name="change-visit"),
]
