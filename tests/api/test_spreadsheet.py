"""Readings from a spreadsheet, and a machine asked for, at the shell. All data invented."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from tramwright_service.catalogue import examples
from tramwright_service.cli.main import main
from tramwright_service.cli.spreadsheet import name_of, read
from tramwright_service.wire.problems import RequestError

PAYLOAD: dict[str, Any] = examples.corrections()["tilted-bed"]
READINGS: list[dict[str, Any]] = PAYLOAD["survey"]["readings"]


def list_of(separator: str = ",", decimal: str = ".") -> str:
    rows = [[f"{one[name]}".replace(".", decimal) for name in ("x", "y", "value")] for one in READINGS]
    return "\n".join(separator.join(row) for row in [["x", "y", "value"], *rows]) + "\n"


def grid_of(separator: str = ",", decimal: str = ".") -> str:
    xs, ys = (sorted({one[name] for one in READINGS}) for name in ("x", "y"))
    at = {(one["x"], one["y"]): one["value"] for one in READINGS}
    rows = [["", *map(str, xs)], *([str(y), *(f"{at[x, y]}".replace(".", decimal) for x in xs)] for y in reversed(ys))]
    return "\n".join(separator.join(row) for row in rows) + "\n"


def run(tmp_path: Path, table: str | bytes, *more: str) -> Result:
    (tmp_path / "machine.json").write_text(json.dumps({name: PAYLOAD[name] for name in ("machine", "solve")}))
    (tmp_path / "readings.csv").write_bytes(table if isinstance(table, bytes) else table.encode())
    command = ["correct", "--machine", str(tmp_path / "machine.json"), str(tmp_path / "readings.csv"), *more]
    return CliRunner().invoke(main, command)


def without_order(readings: list[dict[str, Any]]) -> list[tuple[float, ...]]:
    return sorted((one["x"], one["y"], one["value"]) for one in readings)


@pytest.mark.parametrize("table", [list_of, grid_of], ids=["list", "grid"])
@pytest.mark.parametrize(("separator", "decimal"), [(",", "."), (";", "."), (";", ","), ("\t", ","), ("\t", ".")])
def test_lists_and_grids_are_read_as_they_stand(table: Any, separator: str, decimal: str) -> None:
    found = read(table(separator, decimal).encode())
    assert without_order(found.readings) == without_order(READINGS)


def test_what_a_spreadsheet_writes_around_it_does_not_matter() -> None:
    plain = list_of()
    capitals = plain.replace("x,y,value", "X, Y ,Value")
    for spoilt in ("\ufeff" + plain, plain.replace("\n", "\r\n"), capitals, f"\n{plain}\n,,\n"):
        assert read(spoilt.encode()).readings == read(plain.encode()).readings
    assert read("x,y,value\n1,2,−0.5\n".encode()).readings == [{"x": 1.0, "y": 2.0, "value": -0.5}]


def test_setups_and_times_are_taken_along() -> None:
    table = "time;setup;value;x;y\n0;A;0,1;10;20\n09:30;;0,2;30;40\n"
    assert read(table.encode()).readings == [
        {"time": 0.0, "setup": "A", "value": 0.1, "x": 10.0, "y": 20.0},
        {"time": "09:30", "value": 0.2, "x": 30.0, "y": 40.0},
    ]


def test_an_empty_cell_of_a_grid_was_not_read() -> None:
    assert read(b"y,10,20\n5,0.1,\n15,,0.2\n").readings == [
        {"x": 10.0, "y": 5.0, "value": 0.1},
        {"x": 20.0, "y": 15.0, "value": 0.2},
    ]


@pytest.mark.parametrize("table", [list_of(), grid_of()], ids=["list", "grid"])
def test_the_answer_is_that_of_the_same_readings_as_json(tmp_path: Path, table: str) -> None:
    told = json.loads(run(tmp_path, table, "--json").output)
    asked = CliRunner().invoke(main, ["correct", "--json", "-"], input=json.dumps(PAYLOAD))
    answer = json.loads(asked.output)
    assert told["as_found"]["total"] == pytest.approx(answer["as_found"]["total"])
    assert [move["adjuster"] for move in told["moves"]] == [move["adjuster"] for move in answer["moves"]]
    assert told["says"] == answer["says"]


@pytest.mark.parametrize(
    ("table", "where", "says"),
    [
        ("x,y,value\n10,20,0.1\n10,abc,0.1\n", "row 3, column B", "`abc` is no number"),
        ("x,y,value\n10,20,0.1\n\n10,20,\n", "row 4, column C", "empty"),
        ("x;y;value\n10;20;0,1\n10;30;0.2\n", "row 2, column C", "one decimal sign"),
        ("x;y;value\n10;20;1.234,5\n", "row 2, column C", "no number"),
        ("x,y,value\n10,20,0,1\n", "row 2, column D", "semicolons"),
        ("x,y,height\n10,20,0.1\n", "row 1, column C", "no column `height`"),
        ("x,y,value,X\n10,20,0.1,3\n", "row 1, column D", "keep one"),
        ("x,value\n10,0.1\n", "row 1, column A", "`y` is missing"),
        ("y,10,20\n5,0.1,0.2\nb,0.3,0.4\n", "row 3, column A", "no number"),
        ("y,10,10\n5,0.1,0.2\n", "row 1, column C", "stands in row 1, column B too"),
        ("y,10,\n5,0.1,0.2\n", "row 2, column C", "no x in the first row"),
    ],
)
def test_faults_are_named_by_row_and_column(tmp_path: Path, table: str, where: str, says: str) -> None:
    done = run(tmp_path, table)
    assert done.exit_code == 2
    assert any(line.startswith(f"{where}: ") and says in line for line in done.stderr.splitlines()), done.stderr


def test_faults_that_the_api_finds_are_named_by_row_and_column_too(tmp_path: Path) -> None:
    lines = list_of().splitlines()
    lines[4] = "9999,20,0.1"
    done = run(tmp_path, "\n".join(lines))
    assert done.exit_code == 2
    assert done.stderr.startswith("row 5, column A: ")


NO_TABLE = {
    b"": "no readings",
    b"x,y,value\n": "no readings",
    b"10,20,30\n1,2,3\n": "What the columns are",
    b"\xff\xfe1": "UTF-8",
    b'x,y,value\n"1,2': "not CSV",
}


@pytest.mark.parametrize(("table", "says"), NO_TABLE.items())
def test_what_is_no_table_of_readings_is_refused(table: bytes, says: str) -> None:
    with pytest.raises(RequestError, match=says):
        read(table)


def test_cells_have_the_names_that_spreadsheets_give_them() -> None:
    names = [name_of(0, at).removeprefix("row 1, column ") for at in (0, 25, 26, 701, 702)]
    assert names == ["A", "Z", "AA", "ZZ", "AAA"]


def test_a_spreadsheet_needs_its_machine(tmp_path: Path) -> None:
    (tmp_path / "readings.csv").write_text(list_of())
    done = CliRunner().invoke(main, ["correct", str(tmp_path / "readings.csv")])
    assert (done.exit_code, "--machine" in done.stderr) == (2, True)


def test_map_and_sheet_are_written_beside_the_answer(tmp_path: Path) -> None:
    begins = {"a.svg": b"<svg", "a.png": b"\x89PNG", "a.pdf": b"%PDF"}
    for name, begin in begins.items():
        done = run(tmp_path, list_of(), "--map", str(tmp_path / name), "--theme", "dark")
        assert done.exit_code == 0, done.output
        assert (tmp_path / name).read_bytes().startswith(begin)
    for name, begin in {"b.html": b"<!doctype html>", "b.pdf": b"%PDF"}.items():
        assert run(tmp_path, list_of(), "--sheet", str(tmp_path / name)).exit_code == 0
        assert (tmp_path / name).read_bytes().startswith(begin)
    refused = run(tmp_path, list_of(), "--map", "a.jpg")
    assert (refused.exit_code, ".svg, .png, .pdf" in refused.stderr) == (2, True)
    nowhere = run(tmp_path, list_of(), "--map", str(tmp_path / "no" / "a.svg"))
    assert (nowhere.exit_code, nowhere.stderr.endswith("No such file or directory\n")) == (1, True)


def interview(tmp_path: Path, *answers: str) -> tuple[Result, Any]:
    file = tmp_path / "heron.json"
    done = CliRunner().invoke(main, ["machine", str(file)], input="\n".join(answers) + "\n" * 60)
    return done, json.loads(file.read_text()) if file.is_file() else None


def answered(machine: Any) -> Result:
    (left, right), (front, rear) = machine["bed"]["x"], machine["bed"]["y"]
    grid = [
        {"x": left + i * (right - left) / 4, "y": front + j * (rear - front) / 4, "value": 0.001 * i * (1 + j)}
        for i in range(5)
        for j in range(5)
    ]
    body = json.dumps({"machine": machine, "survey": {"readings": grid}})
    return CliRunner().invoke(main, ["correct", "-"], input=body)


def test_a_machine_of_defaults_can_be_trammed(tmp_path: Path) -> None:
    done, machine = interview(tmp_path)
    assert done.exit_code == 0, done.output
    assert (machine["id"], len(machine["supports"])) == ("heron", 3)
    assert answered(machine).exit_code == 0
    again, _ = interview(tmp_path)
    assert (again.exit_code, "left as it is" in again.output) == (2, True)


BED = ("", "", "0", "300", "0", "200")


@pytest.mark.parametrize(
    ("answers", "supports", "seats"),
    [
        ((*BED, "four"), 4, 0),
        ((*BED, "kinematic"), 3, 0),
        ((*BED, "none", "y", "shim"), 0, 4),
        ((*BED, "three", *[""] * 13, "x"), 3, 4),
        (("", "inch", "0", "20", "0", "16", "four"), 4, 0),
    ],
)
def test_every_kind_of_machine_can_be_described(
    tmp_path: Path, answers: tuple[str, ...], supports: int, seats: int
) -> None:
    done, machine = interview(tmp_path, *answers)
    assert done.exit_code == 0, done.output
    assert len(machine["supports"]) == supports
    assert len((machine["rails"] or {"seats": []})["seats"]) == seats
    assert answered(machine).exit_code == 0


def test_what_is_wrong_is_said_in_the_words_of_the_api_and_asked_again(tmp_path: Path) -> None:
    done, machine = interview(tmp_path, "", "", "500", "0", "0", "300", "", "", "0", "500")
    assert "/bed/x: " in done.output
    assert machine["bed"]["x"] == [0.0, 500.0]
    (tmp_path / "heron.json").unlink()
    # three supports in one line, then in a triangle
    line = ["", "50", "50", "", "250", "250", "", "450", "450"]
    triangle = [*line[:6], "", "450", "50"]
    bed = ("", "", "0", "500", "0", "500")
    done, machine = interview(tmp_path, *bed, "three", "0", *line, "none", "three", "0", *triangle)
    assert "line" in done.output
    assert [(one["x"], one["y"]) for one in machine["supports"]] == [(50, 50), (250, 250), (450, 50)]
