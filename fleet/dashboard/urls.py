"""Addresses of the pages; the name of a page is also that of its view, template and CSS file."""

from django.urls import path, re_path

from fleet.dashboard.orders import urls as work_urls
from fleet.dashboard.readings.readings import (
    mend_upload,
    readings,
    readings_more,
    settle_reading,
    upload,
    upload_file,
    upload_rows,
    upload_state,
)
from fleet.dashboard.signin import sign_in, sign_in_by_link, sign_out
from fleet.dashboard.stock.consumables import (
    collect_used_fluid,
    consumables,
    consumables_file,
    give_up_order,
    order_proposed,
    transfer_proposed,
)
from fleet.dashboard.trials import urls as trial_urls
from fleet.dashboard.views.api_reference import api_reference
from fleet.dashboard.views.baselines import baselines, enter_baseline_rows
from fleet.dashboard.views.climate import climate, take_in_climate
from fleet.dashboard.views.due import due, due_file, forget_view, save_view
from fleet.dashboard.views.home import home
from fleet.dashboard.views.method import method, method_chart, start_backtest
from fleet.dashboard.views.overview import overview, overview_chart, overview_file
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
from fleet.dashboard.views.workbook import (
    one_workbook,
    send_workbook,
    take_up_workbook,
    workbook,
    workbook_file,
    workbook_state,
)
from fleet.dashboard.visits import urls as visit_urls

urlpatterns = [
    *work_urls.urlpatterns,
    *trial_urls.urlpatterns,
    *visit_urls.urlpatterns,
    path("", home, name="home"),
    path("overview", overview, name="overview"),
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
    path("readings/<int:reading_id>/settle", settle_reading, name="settle-reading"),
    path("readings/uploads", upload, name="upload"),
    path("readings/uploads/<int:upload_id>", upload_rows, name="upload-rows"),
    path("readings/uploads/<int:upload_id>/mend", mend_upload, name="mend-upload"),
    path("readings/uploads/<int:upload_id>/state", upload_state, name="upload-state"),
    re_path(
        r"^readings/uploads/(?P<upload_id>\d+)\.(?P<ending>csv|xlsx)$",
        upload_file,
        name="upload-file",
    ),
    path("consumables/proposals/<int:proposal_id>", order_proposed, name="order-proposed"),
    path("consumables/transfers/<int:proposal_id>", transfer_proposed, name="transfer-proposed"),
    path("consumables/orders/<int:arrival_id>", give_up_order, name="give-up-order"),
    path("consumables/used-fluid", collect_used_fluid, name="collect-used-fluid"),
    path("consumables", consumables, name="consumables"),
    re_path(r"^consumables\.(?P<ending>csv|xlsx)$", consumables_file, name="consumables-file"),
    path("runs", runs, name="runs"),
    path("runs/night", start_night, name="start-night"),
    path("climate", climate, name="climate"),
    path("climate/take-in", take_in_climate, name="take-in-climate"),
    path("workbook", workbook, name="workbook"),
    re_path(r"^workbook/(?P<what>template|fleet)\.xlsx$", workbook_file, name="workbook-file"),
    path("workbook/sent", send_workbook, name="send-workbook"),
    path("workbook/sent/<int:book_id>", one_workbook, name="one-workbook"),
    path("workbook/sent/<int:book_id>/state", workbook_state, name="workbook-state"),
    path("workbook/sent/<int:book_id>/take-up", take_up_workbook, name="take-up-workbook"),
    path("api-reference", api_reference, name="api-reference"),
    path("method", method, name="method"),
    re_path(r"^method/(?P<chart>coverage|skill|pit)$", method_chart, name="method-chart"),
    path("method/score", start_backtest, name="start-backtest"),
    path("sign-in", sign_in, name="sign-in"),
    path("sign-in/link/<str:secret>", sign_in_by_link, name="sign-in-link"),
    path("sign-out", sign_out, name="sign-out"),
]
