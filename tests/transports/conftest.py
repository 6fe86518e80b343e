"""What the tests of the transports share: a moment, a text and an email of it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from alerts.transports.base import OutgoingMessage

DATA = Path(__file__).parents[1] / "data" / "messaging"
NOW = datetime(2026, 11, 24, 15, 4, 0, tzinfo=UTC)


@pytest.fixture
def now() -> datetime:
    return NOW


@pytest.fixture
def data_folder() -> Path:
    return DATA


@pytest.fixture
def examples() -> dict[str, object]:
    return json.loads((DATA / "http_examples.json").read_text(encoding="utf-8"))


@pytest.fixture
def text() -> OutgoingMessage:
    return OutgoingMessage(
        message_id="att_01",
        to="+12025550143",
        text="Test alert #A7K2",
        mark="#A7K2",
        created_at=NOW,
        expires_at=NOW + timedelta(days=2),
    )


@pytest.fixture
def mail() -> OutgoingMessage:
    return OutgoingMessage(
        message_id="att_02",
        to="farmer@example.org",
        text="Start cutting on Tue May 26.\n\nRange May 24 to May 28. #B4M9",
        mark="#B4M9",
        created_at=NOW,
        expires_at=NOW + timedelta(days=2),
        subject="Start cutting on Tue May 26",
        html="<p>Start cutting on <b>Tue May 26</b>.</p>",
        unsubscribe_url="https://alerts.example.org/u/abc",
    )
