"""A person at a simulated machine: reads the dial where the page says, turns what it says, types what it then shows."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from judgement.truth import ExactMachine
from tramwright_solvers.model.machine import Machine

if TYPE_CHECKING:
    from playwright.sync_api import Page

EXAMPLES = Path(__file__).parents[1] / "openapi" / "examples"
BEGIN = """job => {
    localStorage.setItem('tramwright.job.one', JSON.stringify({version: 1, changed: '', content: job}));
    localStorage.setItem('tramwright.current.job', 'one');
}"""
KEEP = """machine =>
    localStorage.setItem('tramwright.machine.one', JSON.stringify({version: 1, changed: '', content: machine}))
"""
MOST_SCREENS = 250
"""Screens after which a job is taken to go round in circles: a survey of 25 stations and ten steps, three times."""


def example(name: str) -> dict[str, Any]:
    """The machine of an example of the API."""
    machine: dict[str, Any] = json.loads((EXAMPLES / f"{name}.json").read_text())["machine"]
    return machine


def keep(page: Page, machine: dict[str, Any]) -> None:
    """Put a machine where the machine page keeps those that were described in this browser."""
    page.evaluate(KEEP, machine)
    page.reload()
    page.wait_for_selector("html[data-ready]", state="attached")


def begin(page: Page, machine: dict[str, Any], stations: list[tuple[float, float]], *more: dict[str, Any]) -> None:
    """Put a job where the page keeps it, at the first of these stations or after ``more`` entries, and open it."""
    entries = [
        {"do": "survey", "auto": True},
        {"do": "stations", "stations": [{"x": x, "y": y} for x, y in stations], "closing": True},
        *more,
    ]
    opened(page, machine, "correct", entries)


def opened(page: Page, machine: dict[str, Any], question: str, entries: list[dict[str, Any]]) -> None:
    """Put a job with these entries where the page keeps it, and open it."""
    entries = [{**entry, "at": 0} for entry in entries]
    job = {"machine": machine, "question": question, "entries": entries, "answers": {}, "draft": ""}
    page.evaluate(BEGIN, job)
    page.reload()
    page.wait_for_selector("html[data-ready]", state="attached")


def simulated(machine: dict[str, Any], heights: dict[str, float]) -> ExactMachine:
    """A machine as the page describes it, flat and out of true by these heights; read to half a division."""
    described = msgspec.convert(machine, Machine)
    division = described.indicator.division or described.from_mm(0.01)
    middle = tuple(0.48 * low + 0.52 * high for low, high in (described.bed.x, described.bed.y))
    exact = ExactMachine(described, heights, form=lambda u, v: 0.0, centre=middle)
    exact.resolution = division / 2
    return exact


class Person:
    """Does what the page asks for, screen by screen; ``types`` tells keyboard from taps on the large keys."""

    def __init__(self, page: Page, machine: ExactMachine, *, keyboard: bool = False) -> None:
        self.page, self.machine, self.keyboard = page, machine, keyboard
        self.seen: list[str] = []
        self.share = 1.0  # of what is asked that comes of it

    def settled(self) -> str:
        """Wait until the page waits for nothing; return which screen it shows."""
        return self.page.wait_for_selector("#screen:not([data-screen^='waiting'])").get_attribute("data-screen") or ""

    def press(self, name: str | re.Pattern[str]) -> None:
        """Press the button of this name: by a tap, or with Tab and Enter where only the keyboard is used."""
        found = self.page.get_by_role("button", name=name).first
        if not self.keyboard:
            found.click()
            return
        for _ in range(60):
            if found.evaluate("button => button === document.activeElement"):
                self.page.keyboard.press("Enter")
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"no way to {name} by the keyboard")

    def go_on(self) -> None:
        """Press what the screen offers first."""
        self.press(self.page.locator("#screen .main").first.inner_text())

    def spot(self) -> tuple[float, float]:
        """Where the page wants the dial."""
        x, y = self.page.locator(".spot span").all_inner_texts()
        return float(x.split()[-1].replace(",", ".")), float(y.split()[-1].replace(",", "."))

    def type(self, value: float) -> None:
        """Type a reading and take it."""
        text = f"{abs(value):.6f}".rstrip("0").rstrip(".")
        if self.keyboard:
            self.page.keyboard.type(("-" if value < 0 else "") + text)
            self.page.keyboard.press("Enter")
            return
        for key in text:
            shown = "[.,]" if key == "." else key
            self.page.locator(".keys button", has_text=re.compile(f"^{shown}$")).click()
        if value < 0:
            self.page.locator(".keys .sign").click()
        self.page.locator(".keys .take").click()

    def one_screen(self) -> str:
        """Do what the screen asks for; return which it was.

        A person takes longer from station to station than the service to answer: so the answer is waited for.
        """
        page = self.page
        page.wait_for_selector("#screen:not([data-asked='asking'])")
        screen = self.settled()
        drawn = page.locator("#screen").get_attribute("data-drawn")
        self.seen.append(screen)
        match screen.split()[0]:
            case "where":
                page.wait_for_selector(".main.wide")
                self.go_on()
            case "care" | "more" | "closing":
                self.go_on()
            case "read" | "suspect":
                self.type(self.machine.read(*self.spot()))
            case "step":
                self.carry_out()
                self.go_on()
            case "says":
                self.type(self.machine.read(*self.parked))
            case _:
                raise AssertionError(f"{screen} after {self.seen[-12:]}: {page.locator('#screen').inner_text()}")
        page.wait_for_selector(f"#screen:not([data-drawn='{drawn}'])")
        return screen

    def carry_out(self) -> None:
        """Turn what the page's step says, as far as it says."""
        self.parked = self.spot()
        job = self.job()
        step = job["answers"][str(len(job["entries"]))]["steps"][0]
        assert step["do"] in self.page.locator("#screen").inner_text()
        if step["travel"] is None:
            self.machine.bring_up(step["adjuster"])
        else:
            self.machine.move(step["adjuster"], self.share * step["travel"])

    def job(self) -> dict[str, Any]:
        """The document as the browser keeps it."""
        kept = self.page.evaluate(
            "localStorage.getItem('tramwright.job.' + localStorage.getItem('tramwright.current.job'))"
        )
        return json.loads(kept)["content"]

    def until(self, *screens: str) -> str:
        """Go on until one of these screens is there."""
        for _ in range(MOST_SCREENS):
            self.page.wait_for_selector("#screen:not([data-asked='asking'])")
            if (screen := self.settled()).split()[0] in screens:
                return screen
            self.one_screen()
        raise AssertionError(f"it goes round in circles: {self.seen[-12:]}")
