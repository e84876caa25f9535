"""A plug-in's distribution is upgraded: files of a batch that the former one answered are answered anew."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import msgspec

import dangerous
from processes import COMMAND

MODULE = '''"""Invented: a bed on two screws, of which a turn lifts the bed more or less."""

from hostile import Sound


class Bed(Sound, frozen=True, tag="bed"):
    """Two screws."""

    def influence(self, site):
        return super().influence(site) * SHARE
'''


def answered(folder: Path, version: str, share: float) -> dict[str, float]:
    """Answer one survey with this version of the plug-in; the travels, by adjuster, of the files that the run names."""
    installed = folder / f"plug-ins-{version}"
    dangerous.install(installed, f"beds {version}", {"bed": "bed:Bed"})
    (installed / "bed.py").write_text(MODULE.replace("SHARE", str(share)))
    lines = folder / "lines.ndjson"
    lines.write_bytes(msgspec.json.encode(dangerous.asking("bed")))
    path = os.pathsep.join([str(installed), str(Path(dangerous.__file__).parent), *sys.path])
    subprocess.run(
        [sys.executable, "-c", COMMAND, "batch", str(lines), "--out", str(folder / "out"), "--workers", "1"],
        env={**os.environ, "PYTHONPATH": path},
        check=True,
        capture_output=True,
    )
    report = msgspec.json.decode((folder / "out/summary.json").read_bytes())
    (name,) = report["files"]
    answer = msgspec.json.decode((folder / "out" / name).read_bytes())
    shutil.rmtree(installed)
    return {move["adjuster"]: move["travel"] for move in answer["moves"]}


def test_files_answered_by_another_version_of_a_distribution_are_not_taken_for_its_own(tmp_path: Path) -> None:
    first, again, upgraded = (answered(tmp_path, *one) for one in (("1.0", 1.0), ("1.0", 1.0), ("1.1", 0.5)))
    assert first == again != {}
    assert {name: travel / 2 for name, travel in upgraded.items()} == first
    assert len(list((tmp_path / "out").glob("*.ndjson"))) == 2
