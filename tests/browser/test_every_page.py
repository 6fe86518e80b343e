"""Every page of the demo's spring: read by axe-core, and no wider than a phone.

`cutcall demo --serve` runs as a process of its own; from the addresses it prints every link is
followed, one page of each kind, in both languages where there are two.
"""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urljoin, urlsplit

import pytest
from accessibility import grave_findings, too_wide
from live import Shoot
from playwright.sync_api import Page, expect

PATIENCE_S = 120.0
ZOOMED = 195
"""Width that is left of a phone's 390 pixels at a zoom of 200 % (WCAG 2.2, 1.4.10 asks for
320)."""
FILES = re.compile(r"\.(csv|ics|json|atom|svg|png)($|\?)")
TOKEN = re.compile(r"/(farm|consultant|sampler|operator)/([^/?#]+)")
NUMBER = re.compile(r"/\d+(?=/|$|\?)")

AT_LEAST = {
    *("/", "/signup", "/link", "/areas", "/areas/_", "/farm/_", "/farm/_/edit", "/farm/_/stop"),
    *("/farm/_/review", "/farm/_/address", "/consultant/_", "/consultant/_/farm/_"),
    *("/consultant/_/upload", "/consultant/_/review", "/sampler/_", "/sampler/_/print"),
    *("/sampler/_/clip", "/sampler/_/reading", "/sampler/_/review", "/operator/_"),
    *("/operator/_/review", "/phones"),
}
"""Kinds of pages that must have been reached; else the walk is not worth its name."""


@pytest.fixture(scope="module")
def addresses(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """What the running demo says one may open."""
    folder = tmp_path_factory.mktemp("pages")
    said = folder / "out.txt"
    command = [sys.executable, "-m", "alerts", "demo", "--serve", "--port", "0"]
    with said.open("w") as out:
        process = subprocess.Popen(
            [*command, "--folder", str(folder / "spring")], cwd=folder, stdout=out, stderr=out
        )
        try:
            yield _wait(process, said)
        finally:
            process.terminate()
            process.wait(timeout=30)


def _wait(process: subprocess.Popen[bytes], said: Path) -> dict[str, str]:
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        assert process.poll() is None, said.read_text()
        found = dict(re.findall(r"^(\S[\w -]*?) +(http://\S+)$", said.read_text(), re.M))
        if "phones" in found:
            return found
        time.sleep(0.2)
    raise AssertionError(f"the demo was not ready in time: {said.read_text()}")


def kind(url: str) -> str:
    """The address without what differs from page to page of one kind."""
    parts = urlsplit(url)
    path = re.sub(r"^/areas/[^/]+$", "/areas/_", NUMBER.sub("/_", TOKEN.sub(r"/\1/_", parts.path)))
    return path + ("?es" if "lang=es" in parts.query else "")


def walk(page: Page, starts: list[str]) -> Iterator[str]:
    """Open one page of each kind, and yield its kind while it is shown."""
    waiting, seen = list(starts), set()
    origins = {urlsplit(url).netloc for url in starts}
    while waiting:
        url = waiting.pop(0)
        if kind(url) in seen or urlsplit(url).netloc not in origins or FILES.search(url):
            continue
        seen.add(kind(url))
        answer = page.goto(url)
        assert answer is not None and answer.status == 200, url
        yield kind(url)
        hrefs = page.eval_on_selector_all("a[href]", "all => all.map(a => a.getAttribute('href'))")
        waiting += [urljoin(url, href) for href in hrefs if not href.startswith("#")]


def test_every_page_can_be_used_by_everybody_on_a_phone(
    addresses: dict[str, str], phone: Page, shoot: Shoot
) -> None:
    wrong, seen = [], set()
    for name in walk(phone, list(addresses.values())):
        seen.add(name)
        wrong += grave_findings(phone)
        for closed in phone.locator("details:not([open]) > summary").all():
            if closed.is_visible():
                closed.click()
        wrong += grave_findings(phone)
        wrong += too_wide(phone, ZOOMED)
        shoot(phone, f"every{name.replace('/', '-')}-phone")
    assert wrong == []
    assert AT_LEAST - seen == set()


def test_every_page_can_be_used_by_everybody_on_a_desktop(
    addresses: dict[str, str], desktop: Page, shoot: Shoot
) -> None:
    wrong = []
    for name in walk(desktop, list(addresses.values())):
        wrong += grave_findings(desktop)
        shoot(desktop, f"every{name.replace('/', '-')}-desktop")
    assert wrong == []


def test_focus_goes_to_what_came_of_a_form(addresses: dict[str, str], phone: Page) -> None:
    phone.goto(addresses["sign-up"])
    phone.get_by_role("button", name="Add a field").click()
    expect(phone.locator("#field-2-field")).to_be_focused()
    expect(phone.locator("#field-2-field")).to_be_in_viewport()
    phone.get_by_role("button", name="Sign up", exact=True).last.click()
    expect(phone.locator(".errors")).to_be_focused()
    phone.goto(addresses["farm page"])
    expect(phone.locator("body")).to_be_focused()
    phone.get_by_role("button", name="Pause the messages").click()
    expect(phone.locator(".errors")).to_be_focused()
    phone.get_by_label("For so many days").fill("2")
    phone.get_by_role("button", name="Pause the messages").click()
    expect(phone.locator(".notice[role=status]")).to_be_focused()
    phone.get_by_role("button", name="Resume now").click()
    expect(phone.locator(".notice[role=status]")).to_be_focused()
    phone.get_by_role("link", name="Change this").click()
    phone.get_by_role("button", name="Add a field").click()
    expect(phone.locator("#field-4-field")).to_be_focused()


def test_first_link_of_a_page_leads_past_its_head(addresses: dict[str, str], desktop: Page) -> None:
    desktop.goto(addresses["farm page"])
    desktop.keyboard.press("Tab")
    expect(desktop.get_by_role("link", name="Skip to the page")).to_be_focused()
    desktop.keyboard.press("Enter")
    expect(desktop.locator("main")).to_be_focused()


def test_pages_are_whole_without_javascript(addresses: dict[str, str], browser: object) -> None:
    context = browser.new_context(java_script_enabled=False)  # type: ignore[attr-defined]
    page = context.new_page()
    page.goto(addresses["sign-up"])
    page.get_by_label("Your name").fill("Ada Lindqvist")
    page.get_by_label("Who eats it?").select_option("milking_cows")
    page.get_by_label("Days it takes to cut it all").fill("2")
    page.get_by_role("button", name="Work it out").click()
    assert "Start near RFV" in page.locator("#worked-line").inner_text()
    assert page.get_by_label("Your name").input_value() == "Ada Lindqvist"
    page.get_by_role("button", name="Add a field").click()
    assert page.get_by_label("Name of the field").count() == 2
    expect(page.get_by_label("Name of the field").last).to_be_focused()
    assert page.get_by_label("Your name").input_value() == "Ada Lindqvist"
    context.close()
