"""Where to read a machine: stations, their order, and what a survey there will be worth before it is made."""

from .area import Area, KeepOut, Reach
from .results import Spot, SurveyPlan
from .survey_plan import MOST_STATIONS, PlanSolve, plan_survey

__all__ = ["MOST_STATIONS", "Area", "KeepOut", "PlanSolve", "Reach", "Spot", "SurveyPlan", "plan_survey"]
