"""The passes that a survey carries: limits, units, offsets, and sentences. All data invented."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from repeated_passes import machine_for
from strategies import GROUPS, machines, stations
from tramwright_solvers.correction.api import correct
from tramwright_solvers.correction.previous_passes import MOST_READINGS
from tramwright_solvers.learning.sentences import lead_like, sentence
from tramwright_solvers.mechanisms import ThreeScrew
from tramwright_solvers.mechanisms.transforms import LENGTHS, scaled
from tramwright_solvers.model.contract import Adjuster
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Machine, Screw
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Made, Pass, Previous, Reading, Survey
from tramwright_solvers.results.correction import Correction
from tramwright_solvers.results.learning import Forecast
from tramwright_solvers.views.learning import followed, remaining

MACHINE = machine_for("three screws")
SCREWED = Adjuster("pipit", "support", 1.0, "/machine/supports/0", screw=Screw(4.0))


def tilted(slope: float, lift: float = 0.0) -> list[Reading]:
    return [Reading(x, y, round(slope * x + lift, 6)) for x in (30.0, 250.0, 470.0) for y in (30.0, 250.0, 470.0)]


def pass_of(readings: list[Reading], **travels: float) -> Previous:
    return Previous(readings, [Made(name, travel) for name, travel in travels.items()])


def solved(survey: Survey, machine: Machine = MACHINE, **options: object) -> Correction:
    return correct(machine, survey, Solve(with_=[ThreeScrew()], **options))


def test_a_kept_offset_shows_what_a_common_lift_did() -> None:
    # All three screws asked for 0.4 mm; the dial, its zero kept, shows 0.3 mm.
    lifted = pass_of(tilted(0.0), dunnock=0.4, siskin=0.4, brambling=0.4)
    survey = Survey(tilted(0.0, 0.3), previous=lifted)
    free, kept = solved(survey), solved(survey, offset="keep")
    assert [one.determined for one in free.followed] == [False] * 3
    assert "cannot tell how far each of dunnock, siskin and brambling moved" in free.doubts[0]
    assert [one.determined for one in kept.followed] == [True] * 3
    assert [one.response for one in kept.followed] == pytest.approx([0.75] * 3, abs=0.02)
    assert kept.doubts == []


def test_the_same_is_learnt_in_inches() -> None:
    survey = Survey(tilted(0.0004), previous=pass_of(tilted(0.002), siskin=-0.9))
    document = msgspec.to_builtins(MACHINE) | {"units": "inch"}
    lengths = LENGTHS | {"x", "y"}
    inches = msgspec.convert(scaled(document, 1 / 25.4, lengths), Machine)
    written = scaled(msgspec.to_builtins(survey), 1 / 25.4, frozenset({"x", "y", "value", "travel"}))
    in_mm, in_inches = solved(survey), solved(msgspec.convert(written, Survey), inches)
    for mm, inch in zip(in_mm.followed, in_inches.followed, strict=True):
        assert inch.response == pytest.approx(mm.response, rel=1e-9)
        assert inch.u == pytest.approx(mm.u, rel=1e-9)
        assert inch.moved * 25.4 == pytest.approx(mm.moved, rel=1e-9)
        assert inch.divisor == pytest.approx(mm.divisor, rel=1e-9)
    assert in_mm.forecast is not None
    assert in_inches.forecast is not None
    assert in_inches.forecast.passes == in_mm.forecast.passes


def test_too_many_readings_and_set_ups_are_refused() -> None:
    many = [Reading(x, y, [0.0] * 1000) for x in (30.0, 250.0, 470.0) for y in (30.0, 250.0, 470.0)]
    earlier = [Pass(many, [Made("siskin", 0.1)]) for _ in range(MOST_READINGS // 9000 + 1)]
    setups = [replace(one, setup=f"{index}") for index, one in enumerate(tilted(0.0) * 30)]
    for previous, words in (
        (replace(pass_of(tilted(0.0), siskin=0.1), earlier=earlier), f"{MOST_READINGS} readings"),
        (pass_of(setups, siskin=0.1), "200 set-ups"),
    ):
        with pytest.raises(Refused) as refused:
            solved(Survey(tilted(0.0), previous=previous))
        assert [fault.pointer for fault in refused.value.faults] == ["/survey/previous"]
        assert words in refused.value.faults[0].detail


@given(data=st.data(), group=st.sampled_from(["screws", "both"]))
def test_whatever_the_passes_say_the_answer_is_finite(data: st.DataObject, group: str) -> None:
    machine = data.draw(machines(group))
    at = data.draw(stations(machine)).tolist()
    value = st.integers(-2000, 2000).map(lambda n: n / 1000)
    travel = st.sampled_from([0.0, 1e-12, 1e-6, 0.05, 0.5, 1000.0]).flatmap(lambda t: st.sampled_from([t, -t]))

    def readings(places: list[list[float]]) -> list[Reading]:
        """Any readings in two set-ups that share the first station."""
        setups = data.draw(st.lists(st.sampled_from(["", "b"]), min_size=len(places), max_size=len(places)))
        own = [Reading(x, y, data.draw(value), setup) for (x, y), setup in zip(places, setups, strict=True)]
        return [*own, *(Reading(*places[0], data.draw(value), setup) for setup in ("", "b") if setup != setups[0])]

    names = [one.id for one in [*machine.supports, *(machine.rails.seats if machine.rails else [])]]
    passes = []
    for _ in range(data.draw(st.integers(1, 3))):
        moved = data.draw(st.lists(st.sampled_from(names), min_size=1, unique=True))
        passes.append(Pass(readings(at), [Made(name, data.draw(travel)) for name in moved]))
    previous = Previous(passes[-1].readings, passes[-1].moves, passes[:-1])
    answer = correct(machine, Survey(readings(at), previous=previous), Solve(with_=list(GROUPS[group])))
    for one in answer.followed:
        assert np.all(np.isfinite([one.response, one.u, one.moved, one.divisor]))
        assert one.u > 0.0
    for move in answer.moves:
        assert move.ask is None or abs(move.travel) / 1.6 <= abs(move.ask) <= 2.0 * abs(move.travel)
    assert (answer.forecast is None) is (answer.advice.do.startswith("read-") and not answer.moves)
    if answer.forecast is not None:
        assert 0 <= answer.forecast.passes <= answer.forecast.at_most
        assert len(answer.forecast.says) < 300


def test_only_a_lead_that_stands_alone_is_named() -> None:
    assert lead_like(SCREWED, 0.5, 0.01, "mm") == 2.0
    assert lead_like(SCREWED, 0.6, 0.01, "mm") is None
    assert lead_like(SCREWED, 0.5, 1e-9, "mm") == 2.0
    assert lead_like(replace(SCREWED, screw=Screw(4.0 / 25.4)), 0.5, 0.01, "inch") == pytest.approx(2.0 / 25.4)
    assert lead_like(replace(SCREWED, screw=None), 0.5, 0.01, "mm") is None


@pytest.mark.parametrize(
    ("response", "u", "screw", "stock", "words"),
    [
        (1.0, 0.02, True, None, "as asked, within"),
        (0.93, 0.02, True, None, "nearly as asked"),
        (1.0 / 25.4, 0.004, True, None, "1/25.4"),
        (-0.9, 0.02, False, None, "another one was moved"),
        (-0.9, 0.02, False, (), "taken out instead of put in"),
        (0.1, 0.02, False, (), "under the seat's bolt"),
        (0.1, 0.02, False, None, "slipped back"),
        (0.7, 0.02, False, (), "thinner than marked"),
        (0.7, 0.02, False, None, "gives way"),
        (1.4, 0.02, False, (), "burrs"),
        (1.4, 0.02, False, None, "rises"),
    ],
)
def test_what_is_said_suits_the_kind_of_adjuster(
    response: float, u: float, screw: bool, stock: tuple[()] | None, words: str
) -> None:
    adjuster = replace(SCREWED, screw=SCREWED.screw if screw else None, stock=stock)
    assert words in sentence(adjuster, 0.3, response, u, True, abs(response - 1) > 0.1, "mm")


def test_the_view_puts_what_does_not_follow_first_and_says_nothing_of_nothing() -> None:
    answer = solved(Survey(tilted(0.0004), previous=pass_of(tilted(0.002), dunnock=0.0001, siskin=-0.9)))
    lines = followed(answer.followed, ["First of all."], "mm").splitlines()
    assert lines[2] == "- First of all."
    assert lines[3].startswith("- siskin moved ")
    assert followed([], [], "mm") == ""
    assert remaining(None) == ""
    assert remaining(Forecast(1, 2, 0.03, "One more.")) == "Passes: One more."


def test_what_must_be_read_again_has_no_forecast() -> None:
    readings = tilted(0.0001)
    readings[4] = replace(readings[4], value=1.0 + readings[4].value)
    answer = solved(Survey(readings, previous=pass_of(tilted(0.002), siskin=-0.9)))
    assert answer.advice.do == "read-again"
    assert answer.followed
    assert answer.forecast is None


def test_a_bed_left_alone_is_promised_no_more_than_its_readings_show() -> None:
    # within the limit of 0.1 mm, so left alone; no pass remains, and the aim of a third of it is not reached
    answer = solved(Survey(tilted(0.0001), previous=pass_of(tilted(0.002), siskin=-0.9)))
    assert not answer.moves
    assert answer.forecast is not None
    assert answer.forecast.inside == pytest.approx(answer.as_found.total + answer.as_found.expanded)
    assert f"the total is inside {answer.forecast.inside:.3f} mm" in answer.forecast.says
    assert "inside the aim of 0.033 mm is not certain" in answer.forecast.says
