"""Addresses of the pages about field trials."""

from django.urls import path, re_path

from fleet.dashboard.trials.field_trial import change_trial, field_trial, field_trial_chart
from fleet.dashboard.trials.field_trials import field_trials, set_up_trial
from fleet.dashboard.trials.rate import rate

urlpatterns = [
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
]
