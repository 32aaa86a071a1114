"""The goods and the people."""

from stockroom.models.daybook import Entry
from stockroom.models.goods import Charge, Line, Lot, Maker, Movement, Place, Supplier, Valve
from stockroom.models.listings import ListedValve, Listing
from stockroom.models.orders import Allocation, Customer, Despatch, Order, OrderLine, Return
from stockroom.models.photographs import Attachment, Photograph
from stockroom.models.shop import Counter, Shop

__all__ = [
    "Allocation", "Attachment", "Charge", "Counter", "Customer", "Despatch", "Entry", "Line", "ListedValve", "Listing",
    "Lot", "Maker", "Movement", "Order", "OrderLine", "Photograph", "Place", "Return", "Shop", "Supplier", "Valve",
]
