"""Survey plans: stations, their order, and the uncertainties that a survey there will have."""

from .area import Area, KeepOut, Reach
from .results import Spot, SurveyPlan
from .survey_plan import MOST_STATIONS, PlanSolve, plan_survey

__all__ = ["MOST_STATIONS", "Area", "KeepOut", "PlanSolve", "Reach", "Spot", "SurveyPlan", "plan_survey"]
