from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from alerts.transports.base import Delivery, Outcome
from alerts.transports.gateway_codes import CODES, delivery_of_status, outcome_of_code

DATA = Path(__file__).parents[1] / "data" / "messaging"
CLASSES = {
    "config": Outcome.MISCONFIGURED,
    "throttle": Outcome.LATER,
    "transient": Outcome.LATER,
    "ambiguous": Outcome.UNKNOWN,
    "recipient_permanent": Outcome.REFUSED,
    "content": Outcome.REFUSED,
    "bug": Outcome.REFUSED,
    "opt_out": Outcome.OPTED_OUT,
    "recipient_block": Outcome.OPTED_OUT,
}
ABOUT_OTHER_THINGS = {"webhook", "info"}  # our webhook, or a text that came in


def code_rows() -> list[dict[str, str]]:
    with (DATA / "gateway_error_codes.csv").open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


@pytest.mark.parametrize("row", code_rows(), ids=lambda row: row["code"])
def test_code_means_what_its_class_says(row: dict[str, str]) -> None:
    # Source: error dictionary of the interface's vendor, 2023 snapshot; classes are our judgement
    expected = None if row["class"] in ABOUT_OTHER_THINGS else CLASSES[row["class"]]
    assert outcome_of_code(row["code"]) == expected


def test_table_holds_no_code_without_a_row() -> None:
    assert {str(code) for code in CODES} <= {row["code"] for row in code_rows()}


@pytest.mark.parametrize("code", ["", "S1001", "99999", "٣٠٠٠٤", "-1", "3" * 5000])
def test_code_outside_the_table_has_no_meaning(code: str) -> None:
    assert outcome_of_code(code) is None


def test_every_outbound_status_maps_as_the_interface_says() -> None:
    # Source: enumeration message_enum_status, vendor's OpenAPI description, 2026
    statuses = json.loads((DATA / "message_status.json").read_text(encoding="utf-8"))["outbound"]
    for entry in statuses:
        delivery = delivery_of_status(entry["status"])
        final = delivery in (Delivery.DELIVERED, Delivery.UNDELIVERED)
        assert final == entry["terminal"], entry["status"]
        if "outcome" in entry:
            assert delivery == (
                Delivery.DELIVERED if entry["outcome"] == "ok" else Delivery.UNDELIVERED
            )


def test_sent_is_more_than_pending() -> None:
    assert delivery_of_status("sent") is Delivery.SENT
    assert delivery_of_status("queued") is Delivery.PENDING


def test_unknown_status_stays_open() -> None:
    assert delivery_of_status("teleported") is Delivery.PENDING
