"""The judgement: testers, readings, policies, grades, sets."""

from grading.models.certificates import IssuedCertificate, SigningKey, Withdrawal
from grading.models.demand import Demand
from grading.models.desk import LeftOut, SearchWithoutResult
from grading.models.imports import ReadingsFile, TesterMapping
from grading.models.instruments import (
    Baseline,
    Calibration,
    CalibrationValue,
    Capability,
    HouseNominal,
    Quantity,
    ReferenceCheck,
    ReferenceValve,
    Stop,
    Study,
    StudyOperator,
    StudyReading,
    StudyValve,
    TesterCondition,
)
from grading.models.offers import LotOffer, LotOfferLine, OfferFile, OfferForecast
from grading.models.policies import Grade, Policy
from grading.models.prices import DraftedPrice, PriceDraft, PriceRule
from grading.models.readings import ImportBatch, Reading, Shift, Tester
from grading.models.runs import MatchRun
from grading.models.sets import MatchedSet, Member

__all__ = [
    "Baseline",
    "Calibration",
    "CalibrationValue",
    "Capability",
    "Demand",
    "DraftedPrice",
    "Grade",
    "HouseNominal",
    "ImportBatch",
    "IssuedCertificate",
    "LeftOut",
    "LotOffer",
    "LotOfferLine",
    "MatchRun",
    "MatchedSet",
    "Member",
    "OfferFile",
    "OfferForecast",
    "Policy",
    "PriceDraft",
    "PriceRule",
    "Quantity",
    "Reading",
    "ReadingsFile",
    "ReferenceCheck",
    "ReferenceValve",
    "SearchWithoutResult",
    "Shift",
    "SigningKey",
    "Stop",
    "Study",
    "StudyOperator",
    "StudyReading",
    "StudyValve",
    "Tester",
    "TesterCondition",
    "TesterMapping",
    "Withdrawal",
]
