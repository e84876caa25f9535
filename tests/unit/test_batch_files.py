"""Files in and out of a batch: what each form is read as, under which names answers go, what a table is spared."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import msgspec
import pytest
from click.testing import CliRunner, Result

from batch_lines import answers, cut_all, lines, requests
from tramwright_service.batch.answerer import LineAnswerer
from tramwright_service.batch.sources import Unfit, given, pieces
from tramwright_service.batch.splitter import Chunk, Names, Splitter
from tramwright_service.batch.tables import as_csv, harmless, rows
from tramwright_service.catalogue.examples import paths
from tramwright_service.cli.main import main
from tramwright_solvers.mechanisms.registry import Registry, installed

HEAD = "x,y,value"
ROWS = ("20,20,-0.12", "480,20,0.03", "250,480,0.05", "250,250,0.01")


@pytest.fixture
def registry() -> Registry:
    return installed()


@pytest.fixture
def machine() -> Path:
    """A request whose machine stands for that of a CSV file."""
    return paths()["tilted-bed"]


def read(path: Path, machine: Path | None) -> list[dict[str, Any]]:
    told = list(pieces(path, given(machine) if machine else None))
    assert sum(share for _, share in told) == pytest.approx(1.0)
    return [msgspec.json.decode(line) for line in b"".join(piece for piece, _ in told).splitlines()]


def write(path: Path, *text: str, encoding: str = "utf-8") -> Path:
    path.write_text("\n".join(text) + "\n", encoding=encoding)
    return path


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["batch", *map(str, arguments), "--workers", "1"])


def test_a_csv_file_is_one_survey_of_the_machine_given(tmp_path: Path, machine: Path) -> None:
    (line,) = read(write(tmp_path / "bay 7.csv", HEAD, *ROWS), machine)
    shipped = msgspec.json.decode(machine.read_bytes())
    assert line["id"] == "bay 7"
    assert (line["machine"], line["solve"]) == (shipped["machine"], shipped["solve"])
    assert line["survey"]["readings"][:2] == [{"x": 20, "y": 20, "value": -0.12}, {"x": 480, "y": 20, "value": 0.03}]


def test_a_machine_may_stand_in_its_file_alone(tmp_path: Path, machine: Path) -> None:
    alone = tmp_path / "machine.json"
    described = msgspec.json.encode(msgspec.json.decode(machine.read_bytes())["machine"])
    alone.write_bytes(b"\xef\xbb\xbf" + described)  # as some programs begin a file
    (line,) = read(write(tmp_path / "a.csv", HEAD, *ROWS), alone)
    assert line["machine"]["id"] == "kestrel-01"
    assert "solve" not in line


@pytest.mark.parametrize(
    ("encoding", "text"),
    [
        ("utf-8-sig", ("X, Y ,Value", *ROWS, "", ",,")),
        ("utf-8", ("x;y;value", *(row.replace(",", ";").replace(".", ",") for row in ROWS))),
        ("utf-8", ("x\ty\tvalue", *(row.replace(",", "\t") for row in ROWS))),
        ("utf-8", ("value,note,y,x", *(",".join([v, "n", y, x]) for x, y, v in (row.split(",") for row in ROWS)))),
    ],
    ids=["mark and blanks", "decimal commas", "tabs", "other order"],
)
def test_what_spreadsheets_write_is_read_alike(
    tmp_path: Path, machine: Path, encoding: str, text: tuple[str, ...]
) -> None:
    plain = read(write(tmp_path / "a.csv", HEAD, *ROWS), machine)
    (tmp_path / "other").mkdir()
    assert read(write(tmp_path / "other" / "a.csv", *text, encoding=encoding), machine) == plain


def test_set_ups_and_times_are_read_where_they_are_given(tmp_path: Path, machine: Path) -> None:
    (line,) = read(
        write(tmp_path / "a.csv", "x,y,value,setup,time", "1,2,0.1,A,60", "3,4,0.2,,2026-05-04T09:30:00Z"), machine
    )
    assert line["survey"]["readings"] == [
        {"x": 1, "y": 2, "value": 0.1, "setup": "A", "time": 60},
        {"x": 3, "y": 4, "value": 0.2, "time": "2026-05-04T09:30:00Z"},
    ]


def test_a_cell_that_is_no_number_is_pointed_at(tmp_path: Path, machine: Path) -> None:
    write(tmp_path / "good.csv", HEAD, *ROWS)
    write(tmp_path / "odd.csv", HEAD, *ROWS[:2], "250,480,0.05 mm")
    told = run(tmp_path / "odd.csv", tmp_path / "good.csv", "--machine", machine, "--out", tmp_path / "out")
    assert told.exit_code == 2
    found = {e["id"]: e for path in (tmp_path / "out").glob("*.ndjson") for e in answers(path.read_bytes())}
    assert found["odd"]["problem"]["errors"][0]["pointer"] == "/survey/readings/2/value"
    assert "verdict" in found["good"]


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("a.csv", b"x,y\n1,2\n", "value is missing"),
        ("a.csv", b"", "x, y, value are missing"),
        ("a.csv", b"x,y,value\n\xff,1,1\n", "not UTF-8"),
        ("a.csv", b'x,y,value\n1,1,"' + b"1" * 200_000, "not CSV"),
        ("a.parquet", b"PAR1", "not a Parquet file"),
        ("a.xlsx", b"", "rename the file, or convert it"),
    ],
)
def test_a_file_that_holds_no_surveys_is_refused_in_words(
    tmp_path: Path, machine: Path, name: str, content: bytes, says: str
) -> None:
    if name.endswith(".parquet"):
        pytest.importorskip("pyarrow", reason="the extra `parquet` is not installed")
    path = tmp_path / name
    path.write_bytes(content)
    told = run(path, "--machine", machine, "--out", tmp_path / "out")
    assert told.exit_code == 2
    assert says in told.output.replace("\n", " ")
    assert "Traceback" not in told.output


def test_a_csv_file_without_a_machine_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Unfit, match="--machine"):
        read(write(tmp_path / "a.csv", HEAD, *ROWS), None)


def test_a_machine_file_that_is_none_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Unfit, match="not a JSON object"):
        given(write(tmp_path / "machine.json", "[1]"))


def test_an_unknown_engine_is_refused(tmp_path: Path) -> None:
    told = run(paths()["tilted-bed"], "--out", tmp_path, "--engine", "abacus")
    assert told.exit_code == 2
    assert "abacus" in told.output


def test_parquet_in_answers_as_lines_do(tmp_path: Path) -> None:
    pa = pytest.importorskip("pyarrow", reason="the extra `parquet` is not installed")
    parquet = pytest.importorskip("pyarrow.parquet", reason="the extra `parquet` is not installed")
    asked = requests(7)
    columns = {
        "id": [one["id"] for one in asked],
        "machine": [msgspec.json.encode(asked[0]["machine"]).decode(), *["kestrel-01"] * 6],
        "solve": [msgspec.json.encode(one["solve"]).decode() for one in asked],
        "taken_at": [one["survey"].get("taken_at") for one in asked],
        **{name: [[r[name] for r in one["survey"]["readings"]] for one in asked] for name in ("x", "y", "value")},
    }
    parquet.write_table(pa.table(columns), tmp_path / "surveys.parquet")
    (tmp_path / "surveys.ndjson").write_bytes(lines(asked))
    bodies = []
    for form in ("parquet", "ndjson"):
        assert run(tmp_path / f"surveys.{form}", "--out", tmp_path / form, "--detail", "full").exit_code == 0
        bodies.append(b"".join(path.read_bytes() for path in (tmp_path / form).glob("*.ndjson")))
    assert bodies[0] == bodies[1]
    assert len(answers(bodies[0])) == 7


def test_parquet_of_another_shape_is_refused_and_an_empty_one_is_empty(tmp_path: Path, machine: Path) -> None:
    pa = pytest.importorskip("pyarrow", reason="the extra `parquet` is not installed")
    parquet = pytest.importorskip("pyarrow.parquet", reason="the extra `parquet` is not installed")
    parquet.write_table(pa.table({"x": [1.0], "y": [2.0], "value": [0.1]}), tmp_path / "long.parquet")
    with pytest.raises(Unfit, match="x, y, value are missing or no list"):
        read(tmp_path / "long.parquet", machine)
    lists = pa.list_(pa.float64())
    empty = pa.table({name: pa.array([], lists) for name in ("x", "y", "value")})
    parquet.write_table(empty, tmp_path / "empty.parquet")
    told = run(tmp_path / "empty.parquet", "--machine", machine, "--out", tmp_path / "out")
    assert told.exit_code == 0
    assert "0 surveys" in told.output


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    (tmp_path / "surveys.ndjson").write_bytes(lines(requests(1)))
    told = run(tmp_path / "surveys.ndjson", "--out", tmp_path / "file" / "out")
    assert told.exit_code == 1
    assert "Not a directory" in told.output
    assert "Traceback" not in told.output


def test_parquet_out_holds_the_table_and_every_whole_answer(tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="the extra `parquet` is not installed")
    (tmp_path / "surveys.ndjson").write_bytes(lines([*requests(3), b"{"]))
    for form in ("parquet", "ndjson"):
        assert run(tmp_path / "surveys.ndjson", "--out", tmp_path / form, "--to", form).exit_code == 2
    (path,) = (tmp_path / "parquet").glob("*.parquet")
    (plain,) = (tmp_path / "ndjson").glob("*.ndjson")
    table = parquet.read_table(path).to_pylist()
    assert [row["answer"] for row in table] == plain.read_text().splitlines()
    for row, whole in zip(table, answers(plain.read_bytes()), strict=True):
        assert row["as_found_total"] == (whole["as_found"]["total"] if "as_found" in whole else None)
        assert (row["problem"] is None) == ("problem" not in whole)


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])
def test_what_a_spreadsheet_would_carry_out_is_made_plain(text: str) -> None:
    shown = text.replace("\t", "\\u0009").replace("\r", "\\u000d")
    assert harmless(text) == f"'{shown}"
    assert harmless(f"a{text}") == f"a{shown}"


def test_only_texts_are_made_plain_in_csv_and_numbers_stay_numbers(registry: Registry) -> None:
    request = requests(1)[0]
    request["id"] = '=HYPERLINK("x")'
    request["machine"]["id"] = "-kestrel"
    request["machine"]["supports"][1]["id"] = "=front-right"
    body = LineAnswerer(registry).answer(Chunk(1, "moves", [msgspec.json.encode(request)])).body
    (row,) = csv.DictReader(io.StringIO(as_csv(body).decode(), newline=""))
    (plain,) = rows(body)
    assert row["id"] == '\'=HYPERLINK("x")'
    assert row["machine"] == "'-kestrel"
    assert row["moves"].startswith("'=front-right 0.")
    assert float(row["as_found_total"]) == plain["as_found_total"]
    assert {
        cell for name, cell in row.items() if name not in ("id", "machine", "moves") and cell.startswith("'")
    } == set()


def test_names_follow_from_what_is_answered_and_how(tmp_path: Path) -> None:
    source = tmp_path / "surveys.ndjson"
    source.write_bytes(lines(requests(9)))

    def names(*more: str) -> set[str]:
        assert run(source, "--out", tmp_path / "out", "--lines-per-file", "3", *more).exit_code == 0
        report = msgspec.json.decode((tmp_path / "out" / "summary.json").read_bytes())
        assert report["summary"]["answered"] == 9
        return set(report["files"])

    first = names()
    assert names() == first
    assert not names("--detail", "verdict") & first
    changed = requests(9)
    changed[4]["survey"]["readings"][0]["value"] += 0.001
    source.write_bytes(lines(changed))
    second = names()
    assert len(second - first) == 1
    told = run(source, "--out", tmp_path / "out", "--lines-per-file", "3")
    assert "4 more answer files" in told.output  # three of the other detail, one of the other reading


def test_what_is_there_is_not_done_again_and_what_is_missing_is(tmp_path: Path) -> None:
    source = tmp_path / "surveys.ndjson"
    source.write_bytes(lines([*requests(8), b"{"]))
    arguments = (source, "--out", tmp_path / "out", "--lines-per-file", "3")
    first = run(*arguments)
    files = sorted((tmp_path / "out").glob("*.ndjson"))
    content = [path.read_bytes() for path in files]
    times = [path.stat().st_mtime_ns for path in files]
    files[1].unlink()
    second = run(*arguments)
    assert first.exit_code == second.exit_code == 2
    assert [line for line in second.output.splitlines() if "━" not in line] == [
        line for line in first.output.splitlines() if "━" not in line
    ]
    assert [path.read_bytes() for path in files] == content
    again = [path.stat().st_mtime_ns for path in files]
    assert (again[0], again[2]) == (times[0], times[2])
    assert again[1] != times[1]


def test_however_the_stream_comes_in_it_is_cut_alike() -> None:
    asked = requests(11)
    for one in asked[1:5]:
        one["machine"] = "kestrel-01"
    body = b"\n" + lines([*asked, "x" * 9000, b"{", asked[3]]).rstrip()
    whole = list(cut_all(iter([body]), "verdict", 8000, 4))
    for size in (1, 7, 1000, 8001):
        pieces = iter([body[at : at + size] for at in range(0, len(body), size)])
        assert list(cut_all(pieces, "verdict", 8000, 4)) == whole
    assert [chunk.first for chunk in whole] == [1, 5, 9, 13]
    assert [chunk.too_long for chunk in whole] == [[], [], [], [0]]
    assert whole[0].named == {2: 0, 3: 0}
    assert whole[1].machines == whole[0].machines


def test_names_of_machines_are_bounded_and_the_latest_are_kept() -> None:
    names = Names(kept=3, most_bytes=10_000)
    for number in range(5):
        names.learn(b'{"id":"m%d"}' % number)
    assert [names.recall(f"m{number}") is not None for number in range(5)] == [False, False, True, True, True]
    names.learn(b'{"id":"big","pad":"%b"}' % (b"x" * 10_000))
    assert names.recall("m4") is None
    assert names.recall("big") is not None


def test_a_cutter_gives_back_the_memory_of_what_it_has_cut() -> None:
    cutter = Splitter("verdict", 1000)
    cutter.feed(b"{}\n" * 10 + b"{")
    assert (cutter.waiting, cutter.waiting_bytes) == (10, 20)
    while cutter.cut(4):
        pass
    assert (cutter.waiting, cutter.waiting_bytes) == (0, 0)
