"""The pages as they are served: what the headers promise, which words they hold, and what they start from."""

from __future__ import annotations

import gzip
import json
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from itertools import product
from string import Formatter
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest
from litestar.testing import TestClient

from tramwright_service.pages import machine, render
from tramwright_service.settings import from_environment
from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.units import MM_PER_INCH

TYPES = {"js": "text/javascript", "css": "text/css"}
FILES = [f"/bench/assets/{name}" for name in render.FILES]
ENGLISH = render.LANGUAGES["en"]


@pytest.fixture(autouse=True)
def _no_language_chosen_before(client: TestClient[Any]) -> None:
    client.cookies.clear()


class Loads(HTMLParser):
    """What a page loads, what it links to, and what its policy would not let it do."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.loaded: list[str] = []
        self.linked: list[str] = []
        self.forbidden: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "script" and "src" not in given and given.get("type") != "application/json":
            self.forbidden.append(tag)
        self.forbidden += [name for name in given if name == "style" or name.startswith("on")]
        self.loaded += [str(given["src"])] if "src" in given else []
        self.loaded += [str(given["href"])] if tag == "link" else []
        self.linked += [str(given["href"])] if tag == "a" and "href" in given else []


@pytest.mark.parametrize("path", render.PAGES)
def test_a_page_may_do_only_what_its_policy_says(client: TestClient[Any], path: str) -> None:
    answer = client.get(path)
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert answer.headers["x-content-type-options"] == "nosniff"
    policy = dict(rule.strip().split(" ", 1) for rule in answer.headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
    assert "unsafe" not in str(policy)
    found = Loads(answer.text)
    assert found.forbidden == []
    for where in (*found.loaded, *found.linked):
        assert not urlsplit(where).netloc
        assert urlsplit(where).scheme in ("", "data")
        if where.startswith("/"):
            assert client.get(where).status_code == 200


@pytest.mark.parametrize("path", FILES)
def test_each_file_has_its_type_and_is_not_sent_again(client: TestClient[Any], path: str) -> None:
    answer = client.get(path)
    assert answer.headers["content-type"].split(";")[0] == TYPES[path.rpartition(".")[2]]
    assert answer.headers["x-content-type-options"] == "nosniff"
    again = client.get(path, headers={"if-none-match": answer.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert (answer.headers.get("content-encoding") == "gzip") == (len(answer.content) >= 1024)


@pytest.mark.parametrize("path", [*FILES, *render.PAGES])
def test_nothing_of_a_page_is_asked_of_another_host(client: TestClient[Any], path: str) -> None:
    text = client.get(path).text.replace("http://www.w3.org/2000/svg", "")  # a name, and nothing is loaded from it
    assert not re.findall(r"""(?:https?:)?//[\w-]+\.[\w.]+|@import|url\(""", text)


@pytest.mark.parametrize("name", ["%00", "..%2frender.py", "a" * 300, "machine.js/x", "layout.html", "en.json"])
def test_what_no_file_is_called_is_not_found(client: TestClient[Any], name: str) -> None:
    assert client.get(f"/bench/assets/{name}").status_code == 404


@pytest.mark.parametrize("path", render.PAGES)
def test_a_page_with_all_it_loads_is_small(client: TestClient[Any], path: str) -> None:
    found = Loads(client.get(path).text)
    every = {path, *(where for where in found.loaded if where.startswith("/"))}
    bodies = [client.get(where, headers={"accept-encoding": "gzip"}) for where in every]
    assert sum(int(body.headers["content-length"]) for body in bodies) < 60_000


def test_the_card_is_smaller_and_says_nothing_of_the_machine_by_itself(client: TestClient[Any]) -> None:
    cards = [client.get(f"/farm/machines/{name}/card?theme=dark") for name in ("kestrel", "%3Cscript%3E")]
    assert cards[0].text == cards[1].text
    found = Loads(cards[0].text)
    assert found.forbidden == []
    loaded = [client.get(where, headers={"accept-encoding": "gzip"}) for where in found.loaded if where[0] == "/"]
    assert sum(int(one.headers["content-length"]) for one in loaded) < 20_000
    assert cards[0].headers["content-security-policy"] == client.get("/farm").headers["content-security-policy"]
    assert "data-theme" not in client.get("/farm/machines/kestrel/card?theme=%22onload").text


@pytest.mark.parametrize("path", render.PAGES)
def test_a_page_asks_for_all_its_modules_at_once(client: TestClient[Any], path: str) -> None:
    found = Loads(client.get(path).text)
    loaded = {where.rpartition("/")[2] for where in found.loaded if where.endswith(".js")}
    imports = {
        module
        for name in loaded
        for module in re.findall(r'\bfrom "\./([\w.]+)"|\bimport "\./([\w.]+)"', render.FILES[name].decode())
    }
    assert {one or other for one, other in imports} <= loaded


@pytest.mark.parametrize(
    ("wanted", "language"),
    [
        ({}, "en"),
        ({"accept-language": "de"}, "de"),
        ({"accept-language": "de-AT,en;q=0.5"}, "de"),
        ({"accept-language": "fr, en;q=0.3, de;q=0.8"}, "de"),
        ({"accept-language": "de;q=0, en"}, "en"),
        ({"accept-language": "fr"}, "en"),
        ({"accept-language": "de;q=abc,;;,="}, "en"),
        ({"accept-language": "en", "cookie": "tramwright_language=de"}, "de"),
        ({"accept-language": "de", "cookie": "tramwright_language=<script>"}, "de"),
    ],
)
def test_the_language_is_what_was_chosen_else_what_the_browser_wants(
    client: TestClient[Any], wanted: dict[str, str], language: str
) -> None:
    answer = client.get("/bench/machine", headers=wanted)
    assert f'<html lang="{language}">' in answer.text
    assert {"accept-language", "cookie"} <= {name.strip() for name in answer.headers["vary"].split(",")}


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ("none", "'none'"),
        ("self", "'self'"),
        ("https://a.example,self,http://b.example:8080", "https://a.example 'self' http://b.example:8080"),
    ],
)
def test_whoever_may_embed_a_card_is_named_as_the_policy_names_them(given: str, told: str) -> None:
    assert from_environment({"TRAMWRIGHT_FRAME_ANCESTORS": given}).embedders == told


@pytest.mark.parametrize(
    "given",
    [
        "",
        "*",
        "'self'",
        "a.example",
        "https://a.example/path",
        "https://a b",
        "https://a;script-src",
        "none,self",
        "self\n",
    ],
)
def test_whoever_could_widen_the_policy_is_refused(given: str) -> None:
    with pytest.raises(ValueError, match="TRAMWRIGHT_FRAME_ANCESTORS"):
        from_environment({"TRAMWRIGHT_FRAME_ANCESTORS": given})


def test_a_language_chosen_is_remembered_and_nothing_else_is(client: TestClient[Any]) -> None:
    chosen = client.get("/bench/machine?language=de")
    assert '<html lang="de">' in chosen.text
    assert chosen.headers["set-cookie"].startswith("tramwright_language=de;")
    assert "set-cookie" not in client.get("/bench/machine?language=%3Cscript%3E").headers


@pytest.mark.parametrize("language", render.LANGUAGES)
def test_every_language_has_the_same_words(language: str) -> None:
    said = render.LANGUAGES[language]
    assert {section: [*words] for section, words in said.items()} == {
        section: [*words] for section, words in ENGLISH.items()
    }
    for section, words in said.items():
        for key, text in words.items():
            assert text.strip() == text != ""
            assert values(text) == values(ENGLISH[section][key]), f"{section}.{key}"


def values(text: str) -> set[str | None]:
    """The names in braces in a text."""
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


def sources() -> str:
    """All that words are used in."""
    return "\n".join(
        path.read_text() for name in ("templates", "static", "") for path in (render.HERE / name).glob("*.*")
    )


SCRIPTS = "\n".join(text.decode() for name, text in render.FILES.items() if name.endswith(".js"))


def test_every_word_is_used() -> None:
    written = set(re.findall(r"""["'`]([\w.-]+)(?:\$\{|["'`])""", sources()))

    def used(section: str, key: str) -> Iterator[bool]:
        for name in (key, f"{section}.{key}"):
            yield name in written
            # what is put together from parts: "machine.kind-" with a value behind it, or a field's key with a choice's
            yield any(name.startswith(f"{part.rstrip('-')}-") for part in written)

    unused = [(section, key) for section, words in ENGLISH.items() for key in words if not any(used(section, key))]
    assert unused == []


def test_every_word_that_a_script_asks_for_is_there() -> None:
    asked = re.findall(r"\b(?:say|has)\(\s*[\"`]([\w-]+)\.([\w-]+)(\$\{)?", SCRIPTS)
    assert asked
    for section, key, more in asked:
        there = ENGLISH[section]
        assert any(word.startswith(key) for word in there) if more else key in there, f"{section}.{key}"


def started_from(client: TestClient[Any]) -> dict[str, Any]:
    text = client.get("/bench/machine").text
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', text)
    assert found
    data: dict[str, Any] = json.loads(found[1])
    return data


def test_the_templates_are_the_examples_of_the_solvers(client: TestClient[Any], registry: Registry) -> None:
    templates = started_from(client)["templates"]
    assert [*templates] == [*registry.solvers]
    for name, template in templates.items():
        assert template == client.get(f"/v1/solvers/{name}").json()["example"]["machine"]


def test_every_screw_has_its_turn_and_every_turn_its_words(client: TestClient[Any]) -> None:
    turns = started_from(client)["turns"]
    names = ("hand", "turned_from", "build", "turned_part")
    known = {tuple(turn[name] for name in names): turn for turn in turns}
    for hand, side, (build, part) in product(
        ("right", "left"),
        ("above", "below"),
        [("lead-screw", None), ("nut-on-frame", None), ("nut-under-bed", None), (None, "stays"), (None, "travels")],
    ):
        turn = known[hand, side, build, part]
        # The rule of the trade: a right-handed part that stays raises the bed when turned clockwise seen from above;
        # each of a left hand, a view from below and a part that travels reverses it.
        reversals = (hand == "left") + (side == "below") + (build == "nut-under-bed" or part == "travels")
        assert turn["raises"] == ("anticlockwise" if reversals % 2 else "clockwise")
        assert turn["seen_from"] == side
    assert known[None, None, None, None] == known["right", "below", "lead-screw", None] | dict.fromkeys(names)
    for turn in turns:
        assert f"raise-{turn['raises']}-{turn['seen_from']}" in ENGLISH["machine"]


def test_threads_have_their_lead_in_both_units(client: TestClient[Any]) -> None:
    threads = started_from(client)["threads"]
    assert [thread["name"] for thread in threads if thread["group"] == "coarse"] == [*machine.COARSE]
    for thread in threads:
        assert thread["mm"] == pytest.approx(thread["inch"] * MM_PER_INCH, rel=1e-15)
        assert f"threads-{thread['group']}" in ENGLISH["machine"]


def test_a_page_is_text_that_compresses_alike_each_time(client: TestClient[Any]) -> None:
    first, second = (client.get("/bench/machine", headers={"accept-encoding": "gzip"}) for _ in range(2))
    assert isinstance(first, httpx.Response)
    assert first.headers["etag"] == second.headers["etag"]
    assert len(gzip.compress(first.content)) < len(first.content) / 3
