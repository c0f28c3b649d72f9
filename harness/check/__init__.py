"""Plans before they are run: what is wrong with them here, and what they cost."""

from harness.check.prediction import PlanCost, Prediction, hazard_of, predict
from harness.check.rules import RULES, check_plan

__all__ = ["RULES", "PlanCost", "Prediction", "check_plan", "hazard_of", "predict"]
