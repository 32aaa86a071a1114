"""The judgement: testers, readings, policies, grades, sets."""

from grading.models.certificates import IssuedCertificate, SigningKey, Withdrawal
from grading.models.demand import Demand
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
from grading.models.policies import Grade, Policy
from grading.models.readings import ImportBatch, Reading, Shift, Tester
from grading.models.runs import MatchRun
from grading.models.sets import MatchedSet, Member

__all__ = [
    "Baseline",
    "Calibration",
    "CalibrationValue",
    "Capability",
    "Demand",
    "Grade",
    "HouseNominal",
    "ImportBatch",
    "IssuedCertificate",
    "MatchRun",
    "MatchedSet",
    "Member",
    "Policy",
    "Quantity",
    "Reading",
    "ReadingsFile",
    "ReferenceCheck",
    "ReferenceValve",
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
