"""The goods and the people."""

from stockroom.models.daybook import Entry
from stockroom.models.goods import Charge, Line, Lot, Maker, Movement, Place, Supplier, Valve
from stockroom.models.identity import (
    Cleaning,
    Condition,
    DateReading,
    KnownConstruction,
    MarkWarning,
    SeenFeature,
    SourceCode,
)
from stockroom.models.imports import LotFile, SupplierMapping
from stockroom.models.listings import ListedValve, Listing
from stockroom.models.orders import Allocation, Customer, Despatch, Order, OrderLine, Return
from stockroom.models.photographs import Attachment, Photograph
from stockroom.models.shop import Counter, Shop

__all__ = [
    "Allocation", "Attachment", "Charge", "Cleaning", "Condition", "Counter", "Customer", "DateReading", "Despatch",
    "Entry", "KnownConstruction", "Line", "ListedValve", "Listing", "Lot", "LotFile", "Maker", "MarkWarning",
    "Movement", "Order", "OrderLine", "Photograph", "Place", "Return", "SeenFeature", "Shop", "SourceCode",
    "Supplier", "SupplierMapping", "Valve",
]
