"""Links, tokens and failures on the command line."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from operators import Command, put_operator
from sqlmodel import Session, select

from alerts.settings import read_settings
from alerts.store.session import build_engine
from alerts.store.tables import OutboxMessage, Person

URL = {"CUTCALL_PUBLIC_URL": "https://cutcall.example.org", "CUTCALL_SECRET": "sixteen letters!"}


@pytest.fixture
def operator(tmp_path: Path) -> Command:
    command = put_operator(tmp_path)
    roster = (tmp_path / "roster.csv").read_text(encoding="utf-8").splitlines()
    header = f"{roster[0]},consultant,consultant_email,sampler,sampler_email"
    people = ",Marta Quill,marta@example.org,Jo Fenwick,jo@example.org"
    command.write("roster.csv", "\n".join([header, *(row + people for row in roster[1:])]))
    assert command.run("enrol", "roster.csv").returncode == 0
    return command


def test_link_of_each_kind_is_printed_and_listed(operator: Command) -> None:
    for role, who in (
        ("operator", ()),
        ("consultant", ("marta quill",)),
        ("sampler", ("jo@example.org",)),
        ("farm", ("plum-bottom",)),
    ):
        done = operator.run("link", role, *who, **URL)
        assert done.returncode == 0, done.stderr
        assert re.fullmatch(rf"https://cutcall\.example\.org/{role}/\d+\.\S+\n", done.stdout)
        assert done.stderr == ""
    links = operator.json("links")
    assert isinstance(links, list)
    assert [(one["role"], one["whose"], one["in_force"]) for one in links] == [
        ("operator", "", True),
        ("consultant", "Marta Quill", True),
        ("sampler", "Jo Fenwick", True),
        ("farm", "Plum Bottom", True),
    ]
    assert operator.run("link", "operator", **URL).stdout  # the same again, not another one
    assert len(operator.json("links")) == 4  # type: ignore[arg-type]


def test_link_that_is_taken_back_is_not_handed_out_again(operator: Command) -> None:
    first = operator.run("link", "operator", **URL).stdout
    done = operator.run("link", "--revoke", "1")
    assert done.stdout == "link 1 leads nowhere from now on\n"
    assert operator.run("link", "operator", **URL).stdout != first
    table = operator.run("links").stdout
    assert "taken back" in table and "in force" in table


def test_link_without_a_public_address_leads_to_this_machine(operator: Command) -> None:
    done = operator.run("link", "operator")
    assert done.stdout.startswith("http://127.0.0.1:8080/operator/1.")
    assert "CUTCALL_PUBLIC_URL is empty" in done.stderr


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("link",), "say whose link"),
        (("link", "operator", "--revoke", "1"), "say whose link"),
        (("link", "boss"), "'boss' has no pages; give one of farm, consultant, sampler, operator"),
        (("link", "consultant", "Nobody"), "those that have are: Marta Quill"),
        (("link", "farm", "Nope"), "no farm 'Nope' is enrolled; farms that are: Brook Farm, Plum"),
        (("link", "--revoke", "9"), "no link 9"),
        (("token", "new", "--role", "boss", "--name", "x"), "'boss' is no role of a token"),
        (("token", "new", "--role", "sampler", "--name", "x"), "no sampler 'x' has farms"),
        (("token", "new", "--role", "lab", "--name", "x", "--scope", "y"), "'y' is no scope"),
        (("token", "revoke", "9"), "there is no token 9"),
    ],
)
def test_what_cannot_be_handed_out_is_said(
    operator: Command, arguments: tuple[str, ...], words: str
) -> None:
    done = operator.run(*arguments)
    assert done.returncode == 1
    assert done.stdout == ""
    assert words in done.stderr


def test_token_is_shown_once_and_taken_back(operator: Command) -> None:
    made = operator.run("token", "new", "--role", "lab", "--name", "Kestrel", "--lab", "kestrel")
    secret = made.stdout.strip()
    assert re.fullmatch(r"cutcall_\S{40,}", secret)
    assert "token 1; it cannot be shown again" in made.stderr
    person = operator.run(
        *("token", "new", "--role", "consultant", "--name", "reports"),
        *("--person", "Marta Quill", "--until", "2099-01-01"),
    )
    assert person.returncode == 0, person.stderr
    listed = operator.run("token", "list").stdout
    assert secret not in listed
    assert secret[:14] in listed
    tokens = operator.json("token", "list")
    assert isinstance(tokens, list)
    assert [(t["name"], t["role"], t["whose"], t["in_force"]) for t in tokens] == [
        ("Kestrel", "lab", "kestrel", True),
        ("reports", "consultant", "Marta Quill", True),
    ]
    assert operator.run("token", "revoke", "1").stdout == "token 1 opens nothing from now on\n"
    assert [t["in_force"] for t in operator.json("token", "list")] == [False, True]  # type: ignore[attr-defined]


def put_messages(folder: Path) -> None:
    """A failed, a dismissed and a queued message, straight into the tables."""
    url = read_settings(_env_file=None).database_url.replace("cutcall.db", f"{folder}/cutcall.db")
    now = datetime.now(UTC)
    engine = build_engine(url)
    with Session(engine) as session:
        [person, *_] = session.exec(select(Person)).all()
        for key, status, dismissed in (
            ("one", "failed", None),
            ("two", "failed", now),
            ("three", "queued", None),
        ):
            session.add(
                OutboxMessage(
                    public_id=key,
                    dedupe_key=key,
                    kind="digest",
                    channel="sms",
                    person_id=person.id,
                    to_address=person.phone,
                    text=f"words of {key}",
                    attachments=[],
                    mark="",
                    created_at=now,
                    told_on=now.date(),
                    not_before=now,
                    expires_at=now + timedelta(days=1),
                    next_attempt_at=now,
                    status=status,
                    dismissed_at=dismissed,
                )
            )
        session.commit()
    engine.dispose()


def test_outbox_shows_what_failed_and_waits(operator: Command) -> None:
    put_messages(operator.folder)
    failed = operator.json("outbox", "--failed")
    assert isinstance(failed, list)
    assert [one["text"] for one in failed] == ["words of one"]
    assert len(operator.json("outbox")) == 3  # type: ignore[arg-type]


def test_help_of_every_command_is_there(tmp_path: Path) -> None:
    shown = Command(tmp_path).run("--help").stdout
    for command in ("serve", "demo", "link", "links", "token", "outbox"):
        assert re.search(rf"^\W+{command} ", shown, re.M), command
