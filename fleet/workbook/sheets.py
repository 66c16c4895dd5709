"""The sheets of the fleet workbook, in the order in which they are loaded."""

from fleet.workbook.columns import by_name
from fleet.workbook.depot_sheets import CLIMATE, CLOSURES, DEPOTS
from fleet.workbook.duty_sheets import CRITERIA, USAGE
from fleet.workbook.fluid_sheets import ACCEPTED, CLAIMS, PRODUCTS, SPECIFICATIONS
from fleet.workbook.history_sheets import FILLS, SERVICE_HISTORY
from fleet.workbook.part_sheets import CHECK_FIGURES, FASTENERS, MATERIALS, TOOLS, WRENCHES
from fleet.workbook.procedure_sheets import CAUTIONS, PROCEDURES, STEPS
from fleet.workbook.recheck_sheets import RE_CHECKS
from fleet.workbook.service_sheets import LIMITS, SERVICES
from fleet.workbook.stock_sheets import ITEMS, PACKS, STOCK
from fleet.workbook.type_sheets import COMPARTMENTS, VEHICLE_TYPES
from fleet.workbook.vehicle_sheets import METER_CHANGES, STAYS, VEHICLES
from fleet.workbook.workshop_sheets import WORKSHOP_SHEETS

SHEETS = (
    DEPOTS,
    CLOSURES,
    CLIMATE,
    VEHICLE_TYPES,
    COMPARTMENTS,
    SPECIFICATIONS,
    PRODUCTS,
    CLAIMS,
    ACCEPTED,
    ITEMS,
    PACKS,
    STOCK,
    SERVICES,
    LIMITS,
    CAUTIONS,
    PROCEDURES,
    STEPS,
    FASTENERS,
    TOOLS,
    MATERIALS,
    CHECK_FIGURES,
    RE_CHECKS,
    WRENCHES,
    CRITERIA,
    VEHICLES,
    STAYS,
    METER_CHANGES,
    SERVICE_HISTORY,
    FILLS,
    USAGE,
    *WORKSHOP_SHEETS,
)
BY_NAME = by_name(SHEETS)
