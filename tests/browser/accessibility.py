"""axe-core over a page: what keeps somebody from using it."""

from __future__ import annotations

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

GRAVE = ("serious", "critical")


def grave_findings(page: Page) -> list[str]:
    """Serious and critical findings of axe-core, in words; and a page wider than the screen."""
    found = Axe().run(page).response["violations"]
    said = [
        f"{page.url}: {rule['id']} ({rule['impact']}): {rule['help']}: {node['html'][:200]}"
        for rule in found
        if rule["impact"] in GRAVE
        for node in rule["nodes"]
    ]
    return said + too_wide(page)


def too_wide(page: Page, width: int = 0) -> list[str]:
    """What is wider than the screen, or than one of that width [px]."""
    before = page.viewport_size
    if width and before:
        page.set_viewport_size({"width": width, "height": before["height"]})
    wide = page.evaluate(
        "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    )
    said = [f"{page.url}: {wide} pixels wider than {width or 'the screen'}"] if wide > 1 else []
    if width and before:
        page.set_viewport_size(before)
    return said
