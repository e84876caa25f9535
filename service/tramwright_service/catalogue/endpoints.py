"""The other questions of the job, beside the correction itself: one row each.

From a row come the route, its part of the OpenAPI document, the self-test at start and ``tramwright ask``.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal, get_origin

from msgspec import Struct

from tramwright_solvers.comparison.compare import compare
from tramwright_solvers.comparison.results import Comparison
from tramwright_solvers.correction.cost import Cost, Most, plan_cost, surveys_cost
from tramwright_solvers.lead_error.check import check_heights
from tramwright_solvers.lead_error.results import HeightCheck
from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.deadline import Deadline
from tramwright_solvers.planning import Area, SurveyPlan, plan_survey
from tramwright_solvers.reversal import Reversal, reverse
from tramwright_solvers.views import comparison, height_check, reversal, survey_plan

from ..maps.drawing import Drawing
from ..maps.subjects import of_comparison, of_reversal, of_survey_plan
from ..wire.requests import comparison_request, height_check_request, reversal_request, survey_plan_request

FEWER = "send fewer readings, or the means of repeats, in fewer set-ups of the indicator"


class Question(Struct, frozen=True):
    """One question: a payload in, an answer out, nothing stored.

    ``name`` is the last part of the path, the folder of its examples and the name on the command line. ``request``
    returns the type of the payload for the solvers installed, ``solve`` answers it and ``text`` writes the answer for a
    person at the machine, and ``draws`` makes its drawing from request and answer, if it has one. ``cost`` is what it
    takes, ``pointer`` where that can be changed and ``kind`` whose places it takes.
    """

    name: str
    operation_id: str
    summary: str
    says: str
    request: Callable[[Registry], Any]
    answer: type[Struct]
    solve: Callable[[Any, Registry, Deadline], Any]
    text: Callable[[Any], str]
    cost: Callable[[Any], Cost]
    pointer: str
    kind: Literal["plans", "questions"] = "questions"
    draws: Callable[[Any, Any], Drawing] | None = None

    def check(self, asked: Any, most: Most) -> Cost:
        """Return what a request will take.

        Raises:
            Refused: more than it may.
        """
        cost = self.cost(asked)
        most.check(cost, self.pointer, "The surveys", FEWER)
        return cost

    def component(self, registry: Registry) -> str:
        """Return the name of the payload's type in the OpenAPI document."""
        model = self.request(registry)
        return str((get_origin(model) or model).__name__)


QUESTIONS: tuple[Question, ...] = (
    Question(
        name="survey-plans",
        operation_id="planSurvey",
        summary="Where to read a machine, in which order, and how well each move will then be known",
        says="Stations from the free area of the bed, what a survey there will be worth, and your own plan rated.",
        request=survey_plan_request,
        answer=SurveyPlan,
        solve=lambda asked, registry, within: plan_survey(
            asked.machine,
            asked.solve,
            Area(asked.margin, asked.spacing, tuple(asked.keep_out), asked.reach, asked.step),
            asked.count,
            asked.stations,
            registry,
            within,
        ),
        text=survey_plan.as_text,
        draws=of_survey_plan,
        cost=lambda asked: plan_cost(asked.machine),
        pointer="/machine",
        kind="plans",
    ),
    Question(
        name="reversals",
        operation_id="reverse",
        summary="Plate or gantry: whose error it is, from surveys with the plate turned or shifted",
        says="Plate form and gantry form apart, what cannot be told, and the survey that would tell it.",
        request=reversal_request,
        answer=Reversal,
        solve=lambda asked, registry, _: reverse(
            asked.machine, asked.surveys, asked.solve.with_, registry, asked.solve.criterion
        ),
        text=reversal.as_text,
        draws=of_reversal,
        cost=lambda asked: surveys_cost(asked.machine, asked.surveys),
        pointer="/surveys",
    ),
    Question(
        name="comparisons",
        operation_id="compare",
        summary="What moved between two surveys of one machine, and is it more than noise",
        says="The change of every term, adjuster and station, what could have been seen, and what heat explains.",
        request=comparison_request,
        answer=Comparison,
        solve=lambda asked, registry, _: compare(
            asked.machine,
            asked.before,
            asked.after,
            asked.solve.with_,
            asked.offset,
            asked.indicator_error,
            registry,
        ),
        text=comparison.as_text,
        draws=of_comparison,
        cost=lambda asked: surveys_cost(asked.machine, [asked.before, asked.after]),
        pointer="/after",
    ),
    Question(
        name="height-checks",
        operation_id="checkHeights",
        summary="How the bed's tilt grows with its height, and the lead error of each screw",
        says="The lead error of each screw against their mean, what guides make, and what can be done about it.",
        request=height_check_request,
        answer=HeightCheck,
        solve=lambda asked, registry, _: check_heights(asked.machine, asked.surveys, asked.solve.with_, registry),
        text=height_check.as_text,
        cost=lambda asked: surveys_cost(asked.machine, asked.surveys),
        pointer="/surveys",
    ),
)
"""Every question, in the order in which the documentation shows them."""
