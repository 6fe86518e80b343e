"""The whole service on this machine, looked at with a real browser.

The web server, the ticker's jobs, the text gateway and the mail server are real ones on 127.0.0.1;
only the clock is set by the test. The browser is Debian's Chromium, driven by Playwright; where
there is none, these tests are skipped, unless CUTCALL_TEST_CHROMIUM names it (CI does).
Screenshots are left in build/screenshots.
"""

from __future__ import annotations

import asyncio
import os
import shutil
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from factories import NOON, ZONE, loopback_settings
from fakes import SettableClock
from playwright.sync_api import Browser, Page, sync_playwright

sys.path.insert(0, str(Path(__file__).parent))

from live import WEBHOOK_SECRET, Shoot, Site

from alerts.bootstrap import build_parts
from alerts.loopback.gateway import LoopbackGateway
from alerts.loopback.mailbox import LoopbackMailbox
from alerts.loopback.webhooks import Webhooks
from alerts.scheduler import LoopThread, open_port
from alerts.web.app import build_app

SCREENSHOTS = Path(__file__).parents[2] / "build" / "screenshots"
PHONE = {"width": 390, "height": 844}
DESKTOP = {"width": 1280, "height": 900}
FLAGS = [
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
]


def chromium() -> str:
    """Where the browser is; skips the test where there is none."""
    named = os.environ.get("CUTCALL_TEST_CHROMIUM", "")
    found = named or shutil.which("chromium") or shutil.which("chromium-browser") or ""
    if not found:
        pytest.skip("no Chromium here; install Debian's package chromium to run these tests")
    return found


@pytest.fixture(scope="module")  # its driver keeps the thread in a loop, which others cannot have
def browser() -> Iterator[Browser]:
    path = chromium()
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield running
        running.close()


@pytest.fixture
def phone(browser: Browser) -> Iterator[Page]:
    """A page on a phone, 390 pixels wide; whatever the page complains of fails the test."""
    yield from _page(browser, viewport=PHONE, has_touch=True, is_mobile=True)


@pytest.fixture
def desktop(browser: Browser) -> Iterator[Page]:
    yield from _page(browser, viewport=DESKTOP)


def _page(browser: Browser, **options: Any) -> Iterator[Page]:
    context = browser.new_context(locale="en-US", timezone_id="America/Chicago", **options)
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on(
        "console",
        lambda said: complaints.append(said.text) if "Content Security" in said.text else None,
    )
    yield page
    context.close()
    assert complaints == []


@pytest.fixture
def site(tmp_path: Path, database_url: str) -> Iterator[Site]:
    clock = SettableClock(NOON, ZONE)
    port = open_port("127.0.0.1", 0)
    url = f"http://127.0.0.1:{port.getsockname()[1]}"
    with (
        LoopbackGateway(
            clock=clock,
            webhooks=Webhooks(f"{url}/webhooks/sms/inbound", WEBHOOK_SECRET, public_url=url),
        ) as gateway,
        LoopbackMailbox(folder=tmp_path / "mail") as mailbox,
    ):
        settings = loopback_settings(
            database_url,
            tmp_path,
            gateway,
            mailbox,
            public_url=url,
            sms_key=gateway.key,
            sms_webhook_secret=WEBHOOK_SECRET,
        )
        (tmp_path / "inbox").mkdir()
        parts = build_parts(settings, clock=clock, jitter=lambda: 0.5)
        config = uvicorn.Config(build_app(parts), log_config=None, access_log=False)
        server = uvicorn.Server(config)
        thread = threading.Thread(target=lambda: asyncio.run(server.serve(sockets=[port])))
        thread.start()
        loop = LoopThread()
        try:
            yield Site(parts, clock, gateway, mailbox, url, loop)
        finally:
            server.should_exit = True
            thread.join(timeout=20)
            loop.run(parts.aclose())
            loop.close()


@pytest.fixture(scope="session")
def shoot() -> Shoot:
    """Leave a picture of the whole page under a name."""
    SCREENSHOTS.mkdir(parents=True, exist_ok=True)

    def take(page: Page, name: str) -> None:
        page.screenshot(path=SCREENSHOTS / f"{name}.png", full_page=True)

    return take
