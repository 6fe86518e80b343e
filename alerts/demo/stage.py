"""Where the demo plays: its clock, its settings, and a service that sends one text at a time."""

from __future__ import annotations

import tempfile
import time as machine_time
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from alerts.bootstrap import Parts
from alerts.demo.world import FIRST_DAY, TIME_ZONE
from alerts.loopback.gateway import LoopbackGateway
from alerts.loopback.mailbox import LoopbackMailbox
from alerts.settings import Settings, read_settings

ZONE = ZoneInfo(TIME_ZONE)
PUBLIC_URL = "https://cutcall.example.org"
SECRET = "a secret for the demo only"  # noqa: S105 - guards invented people


class FastClock:
    """A clock that the demo sets; everything below reads it as the present."""

    def __init__(self) -> None:
        self.now = _instant(FIRST_DAY, time(6))

    def __call__(self) -> datetime:
        return self.now

    def set_local(self, day: date, at: time) -> None:
        self.now = _instant(day, at)


def _instant(day: date, at: time) -> datetime:
    return datetime.combine(day, at, tzinfo=ZONE).astimezone(UTC)


class GoingClock(FastClock):
    """A clock that the demo sets and then lets go, a second to the second."""

    _let_go_at: float | None = None

    def __call__(self) -> datetime:
        if self._let_go_at is None:
            return self.now
        return self.now + timedelta(seconds=machine_time.monotonic() - self._let_go_at)

    def let_go(self) -> None:
        self._let_go_at = machine_time.monotonic()


def empty_home(folder: Path | None) -> Path | None:
    """The folder, or a new one, with an inbox in it; None when something is in it already."""
    home = Path(tempfile.mkdtemp(prefix="cutcall-demo-")) if folder is None else folder
    home.mkdir(parents=True, exist_ok=True)
    if any(home.iterdir()):
        return None
    (home / "inbox").mkdir()
    return home


def one_by_one(parts: Parts) -> Parts:
    """Send one message at a time, so that every run prints its texts in the same order."""
    sending = parts.schedule.sending.model_copy(update={"concurrency": 1})
    return replace(parts, schedule=parts.schedule.model_copy(update={"sending": sending}))


def demo_settings(
    home: Path, gateway: LoopbackGateway, mailbox: LoopbackMailbox, public_url: str = PUBLIC_URL
) -> Settings:
    """Settings of a service between the demo's gateway and mail server, all kept in ``home``."""
    return read_settings(
        _env_file=None,
        environment="development",
        database_url=f"sqlite:///{home / 'cutcall.db'}",
        config_dir=None,
        inbox_dir=home / "inbox",
        time_zone=TIME_ZONE,
        secret=SECRET,
        public_url=public_url,
        sms="rest",
        sms_url=gateway.base_url,
        sms_account=gateway.account,
        sms_key=gateway.key,
        sms_secret=gateway.secret,
        sms_sender="+12025550100",
        sms_service="",
        sms_webhook_secret="",
        sms_answers_keywords=False,
        email="smtp",
        smtp_host=mailbox.host,
        smtp_port=mailbox.port,
        smtp_use="plain",
        smtp_username="",
        email_from="cutcall@example.org",
        email_reply_to="",
    )
