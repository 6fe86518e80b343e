"""How long answers may be used: the rules of RFC 9111, HTTP Caching, 2022, for a private cache."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import httpx
import pytest

from alerts.weather.freshness import (
    LONGEST_FRESH,
    KeptAnswer,
    KeptAnswers,
    fresh_until,
    kept_answer,
    retry_after_s,
)

NOW = datetime(2026, 5, 14, 12, 0, tzinfo=UTC)
NO_HOLD = timedelta(0)


def seconds(headers: dict[str, str], hold: timedelta = NO_HOLD) -> float:
    return (fresh_until(httpx.Headers(headers), NOW, hold) - NOW).total_seconds()


@pytest.mark.parametrize(
    ("headers", "lifetime_s"),
    [
        # RFC 9111 section 4.2.1: max-age, else Expires less Date; 5.2.2.4: no-cache is to be
        # confirmed before every use; 4.2.3: less the Age it already has
        ({"Cache-Control": "public, max-age=900, s-maxage=120"}, 900),
        ({"Cache-Control": 'max-age="900"'}, 900),
        ({"Cache-Control": "MAX-AGE=900"}, 900),
        ({"Cache-Control": "max-age=900", "Age": "300"}, 600),
        ({"Cache-Control": "max-age=900", "Expires": "Thu, 14 May 2026 18:00:00 GMT"}, 900),
        ({"Expires": "Thu, 14 May 2026 12:30:00 GMT"}, 1800),
        (
            {
                "Expires": "Thu, 14 May 2026 12:30:00 GMT",
                "Date": "Thu, 14 May 2026 12:20:00 GMT",
            },
            600,
        ),
        ({"Cache-Control": "no-cache, max-age=900"}, 0),
        ({"Expires": "0"}, 0),  # 5.3: an invalid date, "especially including the value 0"
        ({"Cache-Control": "max-age=soon"}, 0),
        ({"Cache-Control": "max-age=-5"}, 0),
        ({"Cache-Control": "max-age"}, 0),
        ({"Cache-Control": "max-age=" + "9" * 5000}, 0),
        ({}, 0),
    ],
)
def test_lifetime_follows_the_headers(headers: dict[str, str], lifetime_s: float) -> None:
    assert seconds(headers) == lifetime_s


def test_answer_already_too_old_is_stale() -> None:
    assert seconds({"Cache-Control": "max-age=60", "Age": "90"}) <= 0
    assert seconds({"Expires": "Thu, 14 May 2026 11:00:00 GMT"}) <= 0


def test_no_header_freezes_a_forecast_for_days() -> None:
    # our judgement: a day at most
    assert seconds({"Cache-Control": "max-age=31536000"}) == LONGEST_FRESH.total_seconds()


def test_caller_may_hold_on_longer() -> None:
    assert seconds({"Cache-Control": "max-age=60"}, hold=timedelta(hours=2)) == 7200
    assert seconds({"Cache-Control": "max-age=60"}, hold=timedelta(seconds=5)) == 60


@pytest.mark.parametrize(
    ("raw", "wait_s"),
    [
        # RFC 9110 section 10.2.3: a date, or seconds
        ("120", 120.0),
        (" 5 ", 5.0),
        ("Thu, 14 May 2026 12:01:30 GMT", 90.0),
        ("Thu, 14 May 2026 11:00:00 GMT", 0.0),
        ("soon", None),
        ("-5", None),
        ("", None),
    ],
)
def test_retry_after_is_read_in_both_forms(raw: str, wait_s: float | None) -> None:
    assert retry_after_s(httpx.Headers({"Retry-After": raw}), NOW) == wait_s


def test_answer_may_forbid_being_kept() -> None:
    # RFC 9111 section 5.2.2.5
    assert kept_answer(b"x", httpx.Headers({"Cache-Control": "no-store"}), NOW, NO_HOLD) is None


def kept(**headers: str) -> KeptAnswer:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    answer = kept_answer(b"body " * 1000, httpx.Headers(named), NOW, NO_HOLD)
    assert answer is not None
    return answer


def test_kept_answer_gives_its_body_back_and_is_small() -> None:
    answer = kept()
    assert answer.body == b"body " * 1000
    assert len(answer.packed) < 200


def test_conditions_repeat_what_the_sender_gave() -> None:
    # RFC 9111 section 4.3.1
    answer = kept(ETag='W/"a1"', Last_Modified="Thu, 14 May 2026 10:00:00 GMT")
    assert answer.conditions() == {
        "If-None-Match": 'W/"a1"',
        "If-Modified-Since": "Thu, 14 May 2026 10:00:00 GMT",
    }
    assert kept().conditions() == {}


def test_confirmation_renews_the_lifetime_and_the_validators() -> None:
    # RFC 9111 section 3.2: headers of the 304 replace stored ones, others stay
    old = kept(ETag='"a1"', Cache_Control="max-age=60", Age="50")
    later = NOW + timedelta(minutes=5)
    same = old.confirmed(httpx.Headers({}), later, NO_HOLD)
    assert same.fresh_until == later + timedelta(seconds=60)  # the old Age is not its own
    newer = old.confirmed(
        httpx.Headers({"ETag": '"a2"', "Cache-Control": "max-age=300"}), later, NO_HOLD
    )
    assert newer.fresh_until == later + timedelta(seconds=300)
    assert newer.conditions() == {"If-None-Match": '"a2"'}
    assert newer.body == old.body


def test_least_recently_used_answer_makes_room() -> None:
    answers = KeptAnswers(most=2)
    for address in ("a", "b"):
        answers.put(address, kept(ETag=address))
    assert answers.get("a") is not None
    answers.put("c", kept())
    assert answers.get("b") is None
    assert answers.get("a") is not None
    assert answers.get("c") is not None


def test_forgotten_answer_is_gone() -> None:
    answers = KeptAnswers()
    answers.put("a", kept())
    answers.forget("a")
    answers.forget("never seen")
    assert answers.get("a") is None
