"""What the documents show is what the program does."""

import re
from pathlib import Path

from click.testing import CliRunner

from tramwright_service.cli.main import main

ROOT = Path(__file__).parents[2]


def fence_after(document: str, marker: str) -> str:
    """Return the code fence that follows a marker in a document."""
    found = re.search(rf"<!-- {re.escape(marker)} -->\n```\w*\n(.*?)```", (ROOT / document).read_text(), re.DOTALL)
    assert found, f"{document} lacks the fence after {marker!r}"
    return found[1]


def test_the_answer_in_the_readme_is_the_real_one():
    example = str(ROOT / "openapi/examples/twisted-frame.json")
    told = CliRunner().invoke(main, ["correct", example])
    assert told.exit_code == 0
    shown = fence_after("README.md", "the output of: tramwright correct openapi/examples/twisted-frame.json")
    assert shown.rstrip() == told.output.rstrip()


SHOWN = re.compile(r"curl -s \S+/v1/([\w-]+) [^\n]*@(\S+)\n```\n+```(?:text)?\n(.*?)```", re.DOTALL)
"""A question asked with an example, and lines of its answer."""


def test_every_line_of_an_answer_in_the_readme_is_a_real_one():
    found = SHOWN.findall((ROOT / "README.md").read_text())
    assert [question for question, _, _ in found] == [
        "survey-plans",
        "reversals",
        "comparisons",
        "height-checks",
        "corrections",
    ]
    for question, example, lines in found:
        command = ["correct"] if question == "corrections" else ["ask", question]
        real = CliRunner().invoke(main, [*command, str(ROOT / example)]).output.splitlines()
        assert {line for line in lines.splitlines() if line not in ("", "...")} <= set(real)


def test_the_solver_in_the_developers_document_is_the_tested_one():
    shown = fence_after("DEVELOPERS.md", "the text of tests/plugins/hinged_bed/hinged_bed.py; a test compares the two")
    assert shown.rstrip() == (ROOT / "tests/plugins/hinged_bed/hinged_bed.py").read_text().rstrip()


def test_every_shipped_example_is_in_the_readme():
    readme = (ROOT / "README.md").read_text()
    for example in sorted((ROOT / "openapi/examples").rglob("*.json")):
        assert f"| `{example.stem}` |" in readme
