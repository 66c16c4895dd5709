"""Addresses of the API that are about work: orders, findings, deferrals, evidence."""

from django.urls import path

from fleet.api.chosen_fluids import ChosenFluids, EndChosenFluid
from fleet.api.deferrals import (
    AgreeDeferral,
    AnswerEscalation,
    Deferrals,
    Escalations,
    WithdrawDeferral,
)
from fleet.api.evidence import EvidencePack, OnTimeShare
from fleet.api.findings import (
    ClearMark,
    CloseFinding,
    FindingPhoto,
    FindingPhotos,
    Findings,
    FollowUp,
    Marks,
)
from fleet.api.orders.actions import KINDS, EndJob, SettleJob, change_view
from fleet.api.orders.confirms import Confirms
from fleet.api.orders.records import (
    Checks,
    Fluids,
    Materials,
    Notes,
    OnePhoto,
    Photos,
    Torques,
)
from fleet.api.orders.releases import Releases
from fleet.api.orders.withdrawals import Withdrawal, WithdrawFinding
from fleet.api.orders.work_orders import OneOrder, OrderCard, OrderRecords, OutsideWork, WorkOrders
from fleet.api.procedures import CheckFigures, Substitutes
from fleet.api.restrictions import LiftRestriction, Restrictions

ORDER, JOB = "work-orders/<str:number>", "jobs/<int:job_id>"
FINDING, MARK = "findings/<int:finding_id>", "do-not-use/<int:mark_id>"

urlpatterns = [
    path("work-orders", WorkOrders.as_view(), name="api-work-orders"),
    path("work-orders/outside", OutsideWork.as_view(), name="api-outside-work"),
    path("work-orders/release", Releases.as_view(), name="api-release-orders"),
    path(ORDER, OneOrder.as_view(), name="api-work-order"),
    path(f"{ORDER}/card", OrderCard.as_view(), name="api-card"),
    path(f"{ORDER}/records", OrderRecords.as_view(), name="api-records"),
    path(
        f"{ORDER}/records/<slug:kind>/<int:record_id>/withdraw",
        Withdrawal.as_view(),
        name="api-withdraw-record",
    ),
    path(f"{ORDER}/notes", Notes.as_view(), name="api-notes"),
    path(f"{ORDER}/photos", Photos.as_view(), name="api-photos"),
    path(f"{ORDER}/photos/<int:photo_id>", OnePhoto.as_view(), name="api-photo"),
    *(
        path(f"{ORDER}/{name}", change_view(name).as_view(), name=f"api-order-{name}")
        for name in KINDS
    ),
    path(f"{JOB}/end", EndJob.as_view(), name="api-end-job"),
    path(f"{JOB}/settle", SettleJob.as_view(), name="api-settle-job"),
    path(f"{JOB}/torque", Torques.as_view(), name="api-torque"),
    path(f"{JOB}/fluids", Fluids.as_view(), name="api-fluids"),
    path(f"{JOB}/materials", Materials.as_view(), name="api-materials"),
    path(f"{JOB}/confirms", Confirms.as_view(), name="api-confirms"),
    path(f"{JOB}/checks", Checks.as_view(), name="api-checks"),
    path("findings", Findings.as_view(), name="api-findings"),
    path(f"{FINDING}/close", CloseFinding.as_view(), name="api-close-finding"),
    path(f"{FINDING}/withdraw", WithdrawFinding.as_view(), name="api-withdraw-finding"),
    path(f"{FINDING}/follow-up", FollowUp.as_view(), name="api-follow-up"),
    path(f"{FINDING}/photos", FindingPhotos.as_view(), name="api-finding-photos"),
    path(f"{FINDING}/photos/<int:photo_id>", FindingPhoto.as_view(), name="api-finding-photo"),
    path("restrictions", Restrictions.as_view(), name="api-restrictions"),
    path(
        "restrictions/<int:restriction_id>/lift",
        LiftRestriction.as_view(),
        name="api-lift-restriction",
    ),
    path("do-not-use", Marks.as_view(), name="api-do-not-use"),
    path(f"{MARK}/clear", ClearMark.as_view(), name="api-clear-do-not-use"),
    path(
        "deferrals/<int:deferral_id>/agree", AgreeDeferral.as_view(), name="api-agree-to-deferral"
    ),
    path("deferrals", Deferrals.as_view(), name="api-deferrals"),
    path(
        "deferrals/<int:deferral_id>/withdraw",
        WithdrawDeferral.as_view(),
        name="api-withdraw-deferral",
    ),
    path("escalations", Escalations.as_view(), name="api-escalations"),
    path(
        "escalations/<int:escalation_id>/answer",
        AnswerEscalation.as_view(),
        name="api-answer-escalation",
    ),
    path("check-figures", CheckFigures.as_view(), name="api-check-figures"),
    path("substitutes", Substitutes.as_view(), name="api-substitutes"),
    path("chosen-fluids", ChosenFluids.as_view(), name="api-chosen-fluids"),
    path(
        "chosen-fluids/<int:chosen_id>/end",
        EndChosenFluid.as_view(),
        name="api-end-chosen-fluid",
    ),
    path("vehicles/<str:fleet_number>/evidence", EvidencePack.as_view(), name="api-evidence"),
    path("on-time", OnTimeShare.as_view(), name="api-on-time"),
]
