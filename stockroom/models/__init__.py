"""The goods and the people."""

from stockroom.models.claims import Claim, ClaimRow, ClaimStep, Credit, Fault
from stockroom.models.daybook import Entry
from stockroom.models.enquiries import Enquiry
from stockroom.models.goods import Charge, Line, Lot, Maker, Movement, Place, Supplier, Valve
from stockroom.models.identity import (
    Cleaning,
    Condition,
    DateReading,
    KnownConstruction,
    MarkWarning,
    SeenFeature,
    ShopTypeCode,
    SourceCode,
)
from stockroom.models.imports import LotFile, SupplierMapping
from stockroom.models.jobs import Job, JobState
from stockroom.models.ledger import LedgerEntry, OrderRate, Posting
from stockroom.models.listings import ListedValve, Listing, Repricing
from stockroom.models.money import CustomsRule, DiscountCode, Invoice, OrderTerms, Payment, ShippingRule, TaxRule
from stockroom.models.orders import Allocation, Customer, Despatch, Order, OrderLine, Return
from stockroom.models.photographs import Attachment, Photograph
from stockroom.models.returns import ReturnCase, ReturnVerdict, WarrantyRule
from stockroom.models.sealed import (
    BrokenSeal,
    DrawnPack,
    Pack,
    PackDateReading,
    Packing,
    SamplingPlan,
    SealedDecision,
    SupplyNote,
)
from stockroom.models.sent import SentForm
from stockroom.models.shop import Counter, Shop

__all__ = [
    "Allocation",
    "Attachment",
    "BrokenSeal",
    "Charge",
    "Claim",
    "ClaimRow",
    "ClaimStep",
    "Cleaning",
    "Condition",
    "Counter",
    "Credit",
    "Customer",
    "CustomsRule",
    "DateReading",
    "Despatch",
    "DiscountCode",
    "DrawnPack",
    "Enquiry",
    "Entry",
    "Fault",
    "Invoice",
    "Job",
    "JobState",
    "KnownConstruction",
    "LedgerEntry",
    "Line",
    "ListedValve",
    "Listing",
    "Lot",
    "LotFile",
    "Maker",
    "MarkWarning",
    "Movement",
    "Order",
    "OrderLine",
    "OrderRate",
    "OrderTerms",
    "Pack",
    "PackDateReading",
    "Packing",
    "Payment",
    "Photograph",
    "Place",
    "Posting",
    "Repricing",
    "Return",
    "ReturnCase",
    "ReturnVerdict",
    "SamplingPlan",
    "SealedDecision",
    "SeenFeature",
    "SentForm",
    "ShippingRule",
    "Shop",
    "ShopTypeCode",
    "SourceCode",
    "Supplier",
    "SupplierMapping",
    "SupplyNote",
    "TaxRule",
    "Valve",
    "WarrantyRule",
]
