"""Plans before they are run: what is wrong with them here, and what they cost."""

from harness.check.prediction import PlanCost, Prediction, predict
from harness.check.rules import RULES, check_plan

__all__ = ["RULES", "PlanCost", "Prediction", "check_plan", "predict"]
