"""What stores keep: fluids by specification, items and packs, and the ledger of what moved.

catalogue.py  Specification, Product, ProductClaim, AcceptedFluid
grades.py     GradeLimit
items.py      Item and its Pack
ledger.py     Stock (lead time, order cycle, service level), Arrival, StockMove and its kinds
"""

from fleet.stores.models.catalogue import AcceptedFluid, Product, ProductClaim, Specification
from fleet.stores.models.grades import GradeLimit
from fleet.stores.models.items import Item, Pack
from fleet.stores.models.ledger import Arrival, Stock, StockMove, UsedFluidCollected

__all__ = [
    "AcceptedFluid",
    "Arrival",
    "GradeLimit",
    "Item",
    "Pack",
    "Product",
    "ProductClaim",
    "Specification",
    "Stock",
    "StockMove",
    "UsedFluidCollected",
]
