"""Addresses of the API, below ``/api/v1``. None ends in a slash, and with one all answer too."""

from typing import Any

from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponseBase
from django.urls import Resolver404, URLPattern, path, re_path, resolve
from django.views.decorators.csrf import csrf_exempt
from drf_spectacular.utils import extend_schema
from drf_spectacular.views import SpectacularAPIView
from rest_framework import serializers
from rest_framework.exceptions import NotFound
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from fleet.api.calibration import Calibration
from fleet.api.chosen_fluids import ChosenFluids, EndChosenFluid
from fleet.api.climate import Climate
from fleet.api.costs import Costs
from fleet.api.deferrals import (
    AgreeDeferral,
    AnswerEscalation,
    Deferrals,
    Escalations,
    WithdrawDeferral,
)
from fleet.api.demand import Demand, OrderProposals, TransferProposals
from fleet.api.due_dates import DueDates, Explanation
from fleet.api.duty import Duty, Overrides
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
from fleet.api.loads import LoadForeseen, Loads, OneLoad, WithdrawLoad
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
from fleet.api.other_work import CorrectWork, EndWork, OtherWorks, ReopenWork
from fleet.api.plans import Visits, WorkshopDays, WouldFit
from fleet.api.procedures import CheckFigures, Substitutes
from fleet.api.readings import OneReading, Readings, Settle
from fleet.api.restrictions import LiftRestriction, Restrictions
from fleet.api.runs import Night, Runs
from fleet.api.settlements import Settlements, WithdrawSettlement
from fleet.api.stock import Items, StockLevels, StockMoves, TakeBack
from fleet.api.telematics import Telematics
from fleet.api.trials import OneTrial, Ratings, Result, Samples, TakeBackSample, Trials
from fleet.api.uploads import CorrectRow, Mend, OneUpload, UploadRows, Uploads, Withdraw
from fleet.api.usage import Usage
from fleet.api.used_fluid import UsedFluids
from fleet.api.vehicles import OneVehicle, Vehicles
from fleet.api.visits import (
    LockVisit,
    MoveVisit,
    PlansOrAnew,
    Promises,
    PromiseVisit,
    Publish,
    UnlockVisit,
)
from fleet.api.what_ifs import OneWhatIf, WhatIfs
from fleet.api.workshop_rows import (
    CorrectBay,
    CorrectMechanic,
    CorrectNeed,
    EnterBay,
    EnterMechanic,
    RemoveBay,
    RemoveMechanic,
    RemoveNeed,
)
from fleet.api.workshops import (
    Absences,
    BlockedDaysList,
    RemoveAbsence,
    RemoveBlockedDays,
    ServiceNeeds,
    Workshops,
)

ORDER, JOB = "work-orders/<str:number>", "jobs/<int:job_id>"
FINDING, MARK = "findings/<int:finding_id>", "do-not-use/<int:mark_id>"


class IndexShape(serializers.Serializer[Any]):
    schema = serializers.CharField(help_text="OpenAPI 3.1")
    lists = serializers.DictField(child=serializers.CharField())


class Index(APIView):
    permission_classes = [IsAuthenticated]

    @extend_schema(operation_id="index", responses=IndexShape)
    def get(self, request: Request) -> Response:
        """The addresses of all that can be read without an id, and of this schema."""
        base = request.path.rstrip("/")
        return Response(
            {"schema": f"{base}/schema", "lists": {name: f"{base}/{name}" for name in lists()}}
        )


class Schema(SpectacularAPIView):
    permission_classes = [IsAuthenticated]


class Elsewhere(APIView):
    permission_classes = [IsAuthenticated]
    schema = None

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        raise NotFound("There is nothing at this address: /api/v1 lists what there is.")


index = Index.as_view()
nothing_here = Elsewhere.as_view()


@csrf_exempt  # each view behind it decides, as it does without the slash
@login_not_required
def other_spelling(request: HttpRequest) -> HttpResponseBase:
    """The same address without its slash, or a refusal in the API's own shape."""
    if request.path.endswith("/"):
        try:
            found = resolve(request.path.rstrip("/"))
        except Resolver404:
            return nothing_here(request)
        if found.func is not other_spelling:
            answer: HttpResponseBase = found.func(request, *found.args, **found.kwargs)
            return answer
    return nothing_here(request)


urlpatterns = [
    path("schema", Schema.as_view(), name="api-schema"),
    path("vehicles", Vehicles.as_view(), name="api-vehicles"),
    path("vehicles/<str:fleet_number>", OneVehicle.as_view(), name="api-vehicle"),
    path(
        "vehicles/<str:fleet_number>/due-dates/<slug:service>/explanation",
        Explanation.as_view(),
        name="api-explanation",
    ),
    path("readings", Readings.as_view(), name="api-readings"),
    path("readings/telematics", Telematics.as_view(), name="api-telematics"),
    path("readings/<int:reading_id>", OneReading.as_view(), name="api-reading"),
    path("readings/<int:reading_id>/settle", Settle.as_view(), name="api-settle"),
    path("settlements", Settlements.as_view(), name="api-settlements"),
    path(
        "settlements/<int:settlement_id>/withdraw",
        WithdrawSettlement.as_view(),
        name="api-settlement-withdraw",
    ),
    path("uploads", Uploads.as_view(), name="api-uploads"),
    path("uploads/<int:upload_id>", OneUpload.as_view(), name="api-upload"),
    path("uploads/<int:upload_id>/mend", Mend.as_view(), name="api-upload-mend"),
    path("uploads/<int:upload_id>/withdraw", Withdraw.as_view(), name="api-upload-withdraw"),
    path("uploads/<int:upload_id>/rows", UploadRows.as_view(), name="api-upload-rows"),
    path(
        "uploads/<int:upload_id>/rows/<int:row_number>/correct",
        CorrectRow.as_view(),
        name="api-upload-correct-row",
    ),
    path("workbook-loads", Loads.as_view(), name="api-loads"),
    path("workbook-loads/<int:load_id>", OneLoad.as_view(), name="api-load"),
    path(
        "workbook-loads/<int:load_id>/withdrawal",
        LoadForeseen.as_view(),
        name="api-load-withdrawal",
    ),
    path("workbook-loads/<int:load_id>/withdraw", WithdrawLoad.as_view(), name="api-load-withdraw"),
    path("usage", Usage.as_view(), name="api-usage"),
    path("duty", Duty.as_view(), name="api-duty"),
    path("duty/overrides", Overrides.as_view(), name="api-duty-overrides"),
    path("depots/<slug:depot>/climate", Climate.as_view(), name="api-climate"),
    path("due-dates", DueDates.as_view(), name="api-due-dates"),
    path("calibration", Calibration.as_view(), name="api-calibration"),
    path("demand", Demand.as_view(), name="api-demand"),
    path("order-proposals", OrderProposals.as_view(), name="api-order-proposals"),
    path("transfer-proposals", TransferProposals.as_view(), name="api-transfer-proposals"),
    path("plan", PlansOrAnew.as_view(), name="api-plan"),
    path("depots/<slug:depot>/fit", WouldFit.as_view(), name="api-fit"),
    path("visits", Visits.as_view(), name="api-visits"),
    path("visits/publish", Publish.as_view(), name="api-publish"),
    path("visits/<int:visit_id>/move", MoveVisit.as_view(), name="api-move-visit"),
    path("visits/<int:visit_id>/lock", LockVisit.as_view(), name="api-lock-visit"),
    path("visits/<int:visit_id>/unlock", UnlockVisit.as_view(), name="api-unlock-visit"),
    path("visits/<int:visit_id>/promise", PromiseVisit.as_view(), name="api-promise-visit"),
    path("other-work", OtherWorks.as_view(), name="api-other-work"),
    path("other-work/<int:work_id>/correct", CorrectWork.as_view(), name="api-correct-work"),
    path("other-work/<int:work_id>/end", EndWork.as_view(), name="api-end-work"),
    path("other-work/<int:work_id>/reopen", ReopenWork.as_view(), name="api-reopen-work"),
    path("promises", Promises.as_view(), name="api-promises"),
    path("what-ifs", WhatIfs.as_view(), name="api-what-ifs"),
    path("what-ifs/<int:asked_id>", OneWhatIf.as_view(), name="api-what-if"),
    path("workshop-days", WorkshopDays.as_view(), name="api-workshop-days"),
    path("workshops", Workshops.as_view(), name="api-workshops"),
    path("bays", EnterBay.as_view(), name="api-bays"),
    path("bays/<int:bay_id>/correct", CorrectBay.as_view(), name="api-correct-bay"),
    path("bays/<int:bay_id>/remove", RemoveBay.as_view(), name="api-remove-bay"),
    path("mechanics", EnterMechanic.as_view(), name="api-mechanics"),
    path(
        "mechanics/<int:mechanic_id>/correct",
        CorrectMechanic.as_view(),
        name="api-correct-mechanic",
    ),
    path(
        "mechanics/<int:mechanic_id>/remove",
        RemoveMechanic.as_view(),
        name="api-remove-mechanic",
    ),
    path("service-needs/<int:need_id>/correct", CorrectNeed.as_view(), name="api-correct-need"),
    path("service-needs/<int:need_id>/remove", RemoveNeed.as_view(), name="api-remove-need"),
    path("absences", Absences.as_view(), name="api-absences"),
    path("absences/<int:absence_id>/remove", RemoveAbsence.as_view(), name="api-remove-absence"),
    path("blocked-days", BlockedDaysList.as_view(), name="api-blocked-days"),
    path(
        "blocked-days/<int:blocked_id>/remove",
        RemoveBlockedDays.as_view(),
        name="api-remove-blocked-days",
    ),
    path("service-needs", ServiceNeeds.as_view(), name="api-service-needs"),
    path("costs", Costs.as_view(), name="api-costs"),
    path("used-fluid", UsedFluids.as_view(), name="api-used-fluid"),
    path("items", Items.as_view(), name="api-items"),
    path("stock", StockLevels.as_view(), name="api-stock"),
    path("stock-moves", StockMoves.as_view(), name="api-stock-moves"),
    path("stock-moves/<int:move_id>/take-back", TakeBack.as_view(), name="api-take-back"),
    path("trials", Trials.as_view(), name="api-trials"),
    path("trials/<slug:trial>", OneTrial.as_view(), name="api-trial"),
    path("trials/<slug:trial>/result", Result.as_view(), name="api-trial-result"),
    path("trials/<slug:trial>/ratings", Ratings.as_view(), name="api-trial-ratings"),
    path("trials/<slug:trial>/samples", Samples.as_view(), name="api-trial-samples"),
    path(
        "trials/<slug:trial>/samples/<int:sample_id>/take-back",
        TakeBackSample.as_view(),
        name="api-take-back-sample",
    ),
    path("runs", Runs.as_view(), name="api-runs"),
    path("runs/night", Night.as_view(), name="api-night"),
    # --- work
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
    re_path(r"", other_spelling),
]


def lists() -> list[str]:
    """Addresses that answer without anything filled in."""
    open_to_all = [str(one.pattern) for one in urlpatterns if hasattr(_view(one), "get")]
    return [address for address in open_to_all if "<" not in address and address != "schema"]


def _view(route: URLPattern) -> type | None:
    return getattr(route.callback, "cls", None)
