"""What the migration to each person's own consent makes of rows that were there before."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import text

from alerts.store.session import build_engine, downgrade, upgrade


def test_spellings_of_one_email_become_one_and_an_opt_out_in_force_stays(tmp_path: Path) -> None:
    engine = build_engine(f"sqlite:///{tmp_path / 'old.db'}")
    upgrade(engine, "0003")
    with engine.begin() as connection:
        for statement in (
            "INSERT INTO person (id, name, phone, email, language, alert_by) "
            "VALUES (1, 'Ada', '', 'Ada@example.org', 'en', 'email')",
            "INSERT INTO opt_out (channel, address, at, how, ended_at, ended_how) VALUES "
            "('email', 'ada@example.org', '2027-05-01', 'link', '2027-05-02', 'page'), "
            "('email', 'Ada@example.org', '2027-05-03', 'link', NULL, ''), "
            "('sms', '+12025550143', '2027-05-03', 'STOP', NULL, '')",
            "INSERT INTO consent (person_id, channel, address, given_on, how, recorded_at, "
            "wording, ip) VALUES "
            "(1, 'email', 'Ada@example.org', '2027-03-20', 'form', '2027-03-21', '', ''), "
            "(1, 'email', 'ada@example.org', '2027-03-20', 'form', '2027-03-22', '', '')",
        ):
            connection.execute(text(statement))
    upgrade(engine)
    with engine.connect() as connection:
        stopped = connection.execute(text("SELECT channel, address, ended_at FROM opt_out"))
        assert sorted(stopped.all()) == [
            ("email", "ada@example.org", None),
            ("sms", "+12025550143", None),
        ]
        agreed = connection.execute(text("SELECT address, how FROM consent")).all()
        assert agreed == [("ada@example.org", "form")]
        assert connection.execute(text("SELECT email FROM person")).scalar() == "ada@example.org"
    downgrade(engine, "0003")
    with engine.connect() as connection:
        assert connection.execute(text("SELECT count(*) FROM consent")).scalar() == 1
    engine.dispose()
