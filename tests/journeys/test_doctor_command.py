"""`cutcall doctor` over real servers: in order, with a wrong secret, with nobody there."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from operators import Command, put_operator

from alerts.loopback.gateway import LoopbackGateway
from alerts.loopback.mailbox import LoopbackMailbox

Edge = tuple[LoopbackGateway, LoopbackMailbox, dict[str, str]]


@pytest.fixture
def operator(tmp_path: Path) -> Command:
    return put_operator(tmp_path)


@pytest.fixture
def edge() -> Iterator[Edge]:
    with LoopbackGateway(clock=lambda: datetime.now(UTC)) as gateway, LoopbackMailbox() as mailbox:
        yield (
            gateway,
            mailbox,
            {
                "CUTCALL_SMS": "rest",
                "CUTCALL_SMS_URL": gateway.base_url,
                "CUTCALL_SMS_ACCOUNT": gateway.account,
                "CUTCALL_SMS_SECRET": gateway.secret,
                "CUTCALL_SMS_SENDER": "+12025550100",
                "CUTCALL_EMAIL": "smtp",
                "CUTCALL_SMTP_HOST": mailbox.host,
                "CUTCALL_SMTP_PORT": str(mailbox.port),
                "CUTCALL_SMTP_USE": "plain",
            },
        )


def test_everything_in_order_and_nothing_sent(operator: Command, edge: Edge) -> None:
    gateway, mailbox, settings = edge
    operator.run("tick", **settings)
    done = operator.run("doctor", **settings)
    assert done.returncode == 0, done.stdout
    assert "wrong" not in done.stdout
    fine = "answers and takes our credentials; nothing was sent"
    assert f"fine    text gateway: {fine}" in done.stdout
    assert f"fine    mail server: {fine}" in done.stdout
    assert "fine    clock: agrees with the gateway's" in done.stdout
    assert (list(gateway.texts), list(mailbox.mails)) == ([], [])


def test_wrong_secret_is_named_and_not_shown(operator: Command, edge: Edge) -> None:
    settings = edge[2] | {"CUTCALL_SMS_SECRET": "violet-heron"}
    done = operator.run("doctor", "--json", **settings)
    assert done.returncode == 1
    wrong = [one for one in json.loads(done.stdout) if one["state"] == "wrong"]
    assert [one["about"] for one in wrong] == ["text gateway"]
    assert "HTTP 401" in wrong[0]["said"]
    assert "check its address and credentials" in wrong[0]["fix"]
    assert "violet-heron" not in done.stdout + done.stderr


def test_nobody_there(operator: Command, free_ports: tuple[int, int], edge: Edge) -> None:
    gateway_port, mail_port = free_ports
    settings = edge[2] | {
        "CUTCALL_SMS_URL": f"http://127.0.0.1:{gateway_port}",
        "CUTCALL_SMTP_PORT": str(mail_port),
    }
    done = operator.run("doctor", **settings)
    assert done.returncode == 1
    assert "wrong   text gateway: The text gateway at 127.0.0.1" in done.stdout
    assert "wrong   mail server: The mail server 127.0.0.1 does not let us in" in done.stdout
    quick = operator.run("doctor", "--quick", **settings)
    assert quick.returncode == 0


def test_wrong_setting_is_named(operator: Command) -> None:
    done = operator.run("doctor", CUTCALL_WEB_PORT="99999")
    assert done.returncode == 2
    assert "CUTCALL_WEB_PORT" in done.stderr
