"""What a batch comes to: each machine by its latest survey, refused lines by name, however the batch was cut."""

from __future__ import annotations

import asyncio
import random
from pathlib import Path
from typing import Any

import msgspec
import pytest
from click.testing import CliRunner

from batch_lines import answers, cut_all, lines, requests
from tramwright_service.batch.answerer import LineAnswerer, versions
from tramwright_service.batch.engines.base import Engine
from tramwright_service.batch.file_job import Job, run
from tramwright_service.batch.lines import ChunkAnswer
from tramwright_service.batch.splitter import Chunk
from tramwright_service.batch.summary import REFUSALS, Tally, Totals
from tramwright_service.cli.main import main
from tramwright_solvers.mechanisms.registry import Registry, installed

JANUARY, FEBRUARY, MARCH = ("2026-01-10T08:00:00Z", "2026-02-10T08:00:00Z", "2026-03-10T08:00:00+02:00")


def survey(name: str, factor: float, taken_at: str | None = None, **more: Any) -> dict[str, Any]:
    """Return a survey of the first of the usual requests, its readings taken so many times."""
    request = requests(1)[0]
    readings = [one | {"value": factor * one["value"]} for one in request["survey"]["readings"]]
    dated = {} if taken_at is None else {"taken_at": taken_at}
    return request | {"machine": request["machine"] | {"id": name}, "survey": {"readings": readings} | dated} | more


def totals(registry: Registry, asked: list[Any], size: int = 1000) -> Totals:
    whole, answerer = Tally(), LineAnswerer(registry)
    for chunk in cut_all(iter([lines(asked)]), "verdict", 10**6, size):
        whole.add(answerer.answer(chunk).tally)
    return whole.totals()


@pytest.mark.parametrize("size", [1, 2, 1000])
def test_a_machine_stands_where_its_latest_survey_puts_it(size: int) -> None:
    asked = [
        survey("repaired", 9.0, JANUARY),
        survey("late-in-the-file", 0.1, MARCH),
        survey("repaired", 0.1, FEBRUARY),
        survey("late-in-the-file", 5.0, JANUARY),
        survey("undated", 0.1, FEBRUARY),
        survey("undated", 3.0),
        survey("undated", 2.0, JANUARY),
    ]
    found = totals(installed(), asked, size)
    assert {one.machine: one.line for one in found.worst} == {"repaired": 3, "late-in-the-file": 2, "undated": 7}
    assert found.worst[0].machine == "undated"
    assert {one.machine: one.taken_at for one in found.worst}["repaired"] == FEBRUARY


def test_the_summary_does_not_hang_on_how_the_batch_is_cut() -> None:
    registry, draw = installed(), random.Random(5)
    dates = (None, JANUARY, FEBRUARY, MARCH)
    asked = [survey(f"wren-{draw.randrange(6)}", draw.random(), draw.choice(dates)) for _ in range(60)]
    asked[7] = asked[31] = b"{"
    whole = totals(registry, asked)
    for size in (1, 7, 16):
        assert totals(registry, asked, size) == whole


class Backwards(Engine):
    """Answers two chunks at a time, the later one first."""

    at_once = 2

    def __init__(self, registry: Registry) -> None:
        self._answerer = LineAnswerer(registry)

    async def answer(self, chunk: Chunk) -> ChunkAnswer:
        await asyncio.sleep(0.2 / chunk.first)
        return self._answerer.answer(chunk)

    async def close(self) -> None:
        """Nothing is open."""


def test_files_answered_out_of_order_have_the_same_summary(tmp_path: Path) -> None:
    registry = installed()
    asked = [survey("repaired", 9.0), survey("repaired", 5.0), b"{", survey("repaired", 0.1)]
    path = tmp_path / "surveys.ndjson"
    path.write_bytes(lines(asked))
    job = Job([path], tmp_path / "out", "verdict", "ndjson", None, 10**6, 1)
    report = asyncio.run(run(job, Backwards(registry), versions(registry), lambda count, share: None))
    assert [one.line for one in report.summary.worst] == [4]
    assert [(one.file, one.line) for one in report.summary.refused] == [(str(path), 3)]
    again = asyncio.run(run(job, Backwards(registry), versions(registry), lambda count, share: None))
    assert again == report


def test_refused_lines_are_named_up_to_a_bound_and_counted_beyond(tmp_path: Path) -> None:
    wrong = survey("wren", 1.0, id="tuesday")
    wrong["survey"] = {"readings": []}
    path = tmp_path / "surveys.ndjson"
    path.write_bytes(lines([survey("wren", 1.0), wrong, *[b"{"] * (REFUSALS + 2)]))
    told = CliRunner().invoke(main, ["batch", str(path), "--out", str(tmp_path / "out"), "--workers", "1"])
    assert told.exit_code == 2
    assert "  line 2, tuesday: Readings at 0 stations" in told.output
    assert f"line {REFUSALS + 1}: " in told.output
    assert f"line {REFUSALS + 2}: " not in told.output
    assert "  and 3 more; each answer says why." in told.output
    written = msgspec.json.decode((tmp_path / "out" / "summary.json").read_bytes())["summary"]
    assert len(written["refused"]) == REFUSALS
    assert written["more_refused"] == 3
    assert written["refused"][0]["says"].startswith("Readings at 0 stations")


@pytest.mark.parametrize("detail", ["verdict", "moves", "full"])
def test_answers_say_when_their_survey_was_taken(detail: Any) -> None:
    asked = [survey("wren", 1.0, MARCH), survey("wren", 1.0)]
    (chunk,) = cut_all(iter([lines(asked)]), detail, 10**6, 10)
    dated, undated = answers(LineAnswerer(installed()).answer(chunk).body)
    assert dated["taken_at"] == MARCH
    assert undated["taken_at"] is None
