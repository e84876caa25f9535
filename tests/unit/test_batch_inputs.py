"""What a batch reads beside a list of files: folders, standard input, CSV files with their machines. Data invented."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgspec
import pytest
from click.testing import CliRunner, Result

from batch_lines import lines, requests
from processes import COMMAND, PATIENCE, wait_for
from tramwright_service.batch.sources import Unfit, given, pieces
from tramwright_service.catalogue.examples import paths
from tramwright_service.cli.main import main

HEAD = "x,y,value"
ROWS = ("20,20,-0.12", "480,20,0.03", "250,480,0.05", "250,250,0.01")


@pytest.fixture
def machine() -> Path:
    """A request whose machine stands for that of a CSV file."""
    return paths()["tilted-bed"]


def read(path: Path, machine: Path | None) -> list[dict[str, Any]]:
    told = pieces(path, given(machine) if machine else None)
    return [msgspec.json.decode(line) for line in b"".join(piece for piece, _ in told).splitlines()]


def write(path: Path, *text: str) -> Path:
    path.write_text("\n".join(text) + "\n", encoding="utf-8")
    return path


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["batch", *map(str, arguments), "--workers", "1"])


def test_the_machine_of_a_csv_file_is_the_json_file_beside_it(tmp_path: Path, machine: Path) -> None:
    path = write(tmp_path / "bay-7.csv", HEAD, *ROWS)
    described = msgspec.json.decode(machine.read_bytes())
    del described["machine"]["id"]
    (tmp_path / "bay-7.json").write_bytes(msgspec.json.encode(described))
    (line,) = read(path, None)
    assert line["machine"] == described["machine"] | {"id": "bay-7"}
    assert line["solve"] == described["solve"]
    assert read(path, machine) == [line]
    (tmp_path / "bay-7.json").write_bytes(msgspec.json.encode(described["machine"]))
    assert "solve" not in read(path, None)[0]


def test_columns_tell_machines_and_days_apart(tmp_path: Path, machine: Path) -> None:
    for name in ("wren", "dipper"):
        described = msgspec.json.decode(machine.read_bytes())["machine"] | {"id": name}
        (tmp_path / f"{name}.json").write_bytes(msgspec.json.encode(described))
    days = ("2026-01-10T08:00:00Z", "2026-02-10T08:00:00Z")
    rows = [f"{row},{name},{day}" for row in ROWS for name in ("wren", "dipper") for day in days]
    path = write(tmp_path / "farm.csv", f"{HEAD},machine,taken_at", *rows)
    found = read(path, None)
    assert [(one["machine"]["id"], one["survey"]["taken_at"]) for one in found] == [
        (name, day) for name in ("wren", "dipper") for day in days
    ]
    assert found[0]["id"] == f"farm wren {days[0]}"
    assert [len(one["survey"]["readings"]) for one in found] == [len(ROWS)] * 4
    told = run(path, "--out", tmp_path / "out")
    assert told.exit_code == 0
    assert f"(line 4, farm dipper {days[1]}, taken at {days[1]})" in told.output


@pytest.mark.parametrize("name", ["no-such", "../secret", "x" * 500, "a\0b"])
def test_a_machine_that_no_file_describes_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / "secret.json").write_text("{}")
    (tmp_path / "farm").mkdir()
    with pytest.raises(Unfit, match="no file"):
        read(write(tmp_path / "farm" / "farm.csv", f"{HEAD},machine", f"1,1,0.1,{name}"), None)


def test_a_folder_stands_for_its_files(tmp_path: Path, machine: Path) -> None:
    farm, out = tmp_path / "farm", tmp_path / "farm" / "answers"
    (farm / "north").mkdir(parents=True)
    (farm / "a.ndjson").write_bytes(lines(requests(2)))
    (farm / ".hidden.ndjson").write_bytes(b"{")
    (farm / "notes.txt").write_bytes(b"read at night")
    write(farm / "north" / "bay-7.csv", HEAD, *ROWS)
    (farm / "north" / "bay-7.json").write_bytes(machine.read_bytes())
    for _ in range(2):  # the second time, the answers of the first stand there as well
        told = run(farm, "--out", out)
        assert told.exit_code == 0
        assert told.stdout.startswith("3 surveys: 3 answered")
    assert msgspec.json.decode((out / "summary.json").read_bytes())["inputs"] == [
        str(farm / "a.ndjson"),
        str(farm / "north" / "bay-7.csv"),
    ]
    (tmp_path / "empty").mkdir()
    told = run(tmp_path / "empty", "--out", out)
    assert told.exit_code == 2
    assert "no file in this folder ends in one of" in told.stderr


def test_standard_input_is_read_as_it_comes(tmp_path: Path) -> None:
    command = [sys.executable, "-c", COMMAND, "batch", "-", "--workers", "1", "--lines-per-file", "1"]
    process = subprocess.Popen(
        [*command, "--out", str(tmp_path / "out")], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert process.stdin
    first, last = requests(2)
    process.stdin.write(lines([first]))
    process.stdin.flush()
    wait_for(lambda: any((tmp_path / "out").glob("standard-input.000000001.*")))  # answered before the next line comes
    told, _ = process.communicate(lines([last, b"{"]))
    assert process.returncode == 2
    assert b"3 surveys: 2 answered, 1 refused." in told
    written = msgspec.json.decode((tmp_path / "out" / "summary.json").read_bytes())
    assert written["summary"]["refused"][0]["file"] == "standard input"


def test_standard_input_that_says_nothing_can_be_interrupted(tmp_path: Path) -> None:
    command = [sys.executable, "-c", COMMAND, "batch", "-", "--workers", "1", "--out", str(tmp_path / "out")]
    silent = subprocess.DEVNULL
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=silent, stderr=silent) as process:
        wait_for((tmp_path / "out").exists)
        process.send_signal(signal.SIGINT)
        assert process.wait(PATIENCE) == 130
