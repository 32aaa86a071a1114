"""The judgement: testers, readings, policies, grades, sets."""

from grading.models.policies import Grade, Policy
from grading.models.readings import ImportBatch, Reading, Shift, Tester
from grading.models.sets import MatchedSet, Member

__all__ = ["Grade", "ImportBatch", "MatchedSet", "Member", "Policy", "Reading", "Shift", "Tester"]
