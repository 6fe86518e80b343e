from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import pytest

from alerts.domain.changes import (
    Change,
    ChangeKind,
    FarmSaid,
    FieldSaid,
    as_json,
    changes_since,
    from_json,
    moved_fields,
)

TODAY = date(2027, 5, 12)
FIELD = FieldSaid("North", date(2027, 5, 20), None, {7: "lab 1"})
FARM = FarmSaid("Plum Bottom", date(2027, 5, 18), near=False, paused_until=None, fields={1: FIELD})


def kinds(before: FarmSaid, now: FarmSaid) -> list[ChangeKind]:
    return [change.kind for change in changes_since({3: before}, {3: now}, TODAY).get(3, ())]


def test_what_was_said_comes_back_from_json() -> None:
    full = replace(
        FARM,
        paused_until=TODAY,
        failed={4: "Ada"},
        fields={1: FIELD, 2: replace(FIELD, start=None, cut_on=TODAY, results={})},
    )
    assert from_json(json.loads(json.dumps(as_json({3: full, 5: FARM})))) == {3: full, 5: FARM}


def test_same_words_are_no_change() -> None:
    assert changes_since({3: FARM}, {3: FARM}, TODAY) == {}


@pytest.mark.parametrize("days", [-6, -1, 1, 9])
def test_start_date_that_moved_by_a_day_is_a_change(days: int) -> None:
    now = replace(FARM, start=date(2027, 5, 18 + days))
    [change] = changes_since({3: FARM}, {3: now}, TODAY)[3]
    assert change == Change(ChangeKind.MOVED, was=FARM.start, now=now.start)


def test_two_dates_that_are_gone_are_the_same_news() -> None:
    before, now = (replace(FARM, start=date(2027, 5, n)) for n in (9, 11))
    assert kinds(before, now) == []
    assert kinds(before, replace(FARM, start=TODAY)) == [ChangeKind.MOVED]


def test_date_may_come_and_go() -> None:
    without = replace(FARM, start=None)
    assert kinds(without, FARM) == [ChangeKind.DATED]
    assert kinds(FARM, without) == [ChangeKind.UNDATED]


def test_notice_is_come_into_and_left() -> None:
    near = replace(FARM, near=True)
    assert kinds(FARM, near) == [ChangeKind.NEAR]
    assert kinds(near, FARM) == [ChangeKind.FAR]


def test_cut_is_the_news_and_not_the_date_that_goes_with_it() -> None:
    cut = replace(FARM, start=None, fields={1: replace(FIELD, cut_on=TODAY)})
    assert kinds(FARM, cut) == [ChangeKind.CUT]
    assert kinds(cut, FARM) == [ChangeKind.UNCUT]


def test_result_is_new_and_a_newer_version_of_one_is_a_correction() -> None:
    new = replace(FARM, fields={1: replace(FIELD, results={7: "lab 1", 8: "lab 2"})})
    corrected = replace(FARM, fields={1: replace(FIELD, results={9: "lab 1"})})
    both = replace(FARM, fields={1: replace(FIELD, results={9: "lab 1", 8: "lab 2"})})
    assert kinds(FARM, new) == [ChangeKind.RESULT]
    assert kinds(FARM, corrected) == [ChangeKind.CORRECTED]
    assert kinds(FARM, both) == [ChangeKind.RESULT, ChangeKind.CORRECTED]
    assert kinds(new, FARM) == []  # taken away: nothing new to read


def test_message_fails_once() -> None:
    failed = replace(FARM, failed={4: "Ada"})
    assert kinds(FARM, failed) == [ChangeKind.FAILED]
    assert kinds(failed, failed) == []
    assert kinds(failed, replace(FARM, failed={4: "Ada", 5: "Ada"})) == [ChangeKind.FAILED]
    assert kinds(failed, FARM) == []  # too old to be shown


def test_pause_begins_is_put_off_and_ends() -> None:
    paused = replace(FARM, paused_until=date(2027, 5, 20))
    assert kinds(FARM, paused) == [ChangeKind.PAUSED]
    assert kinds(paused, replace(FARM, paused_until=date(2027, 5, 25))) == [ChangeKind.PAUSED]
    assert kinds(paused, FARM) == [ChangeKind.RESUMED]


def test_clients_and_fields_come_and_go() -> None:
    found = changes_since({3: FARM}, {4: FARM}, TODAY)
    assert {farm: [c.kind for c in changes] for farm, changes in found.items()} == {
        3: [ChangeKind.GONE],
        4: [ChangeKind.NEW_CLIENT],
    }
    more = replace(FARM, fields={1: FIELD, 2: replace(FIELD, name="Creek")})
    found = changes_since({3: FARM}, {3: more}, TODAY)
    assert [(c.kind, c.field) for c in found[3]] == [
        (ChangeKind.RESULT, "Creek"),
        (ChangeKind.NEW_FIELD, "Creek"),
    ]


def test_weightiest_change_comes_first() -> None:
    now = replace(
        FARM,
        start=date(2027, 5, 14),
        near=True,
        failed={4: "Ada"},
        fields={1: replace(FIELD, results={7: "lab 1", 8: "lab 2"})},
    )
    assert kinds(FARM, now) == [
        ChangeKind.FAILED,
        ChangeKind.MOVED,
        ChangeKind.NEAR,
        ChangeKind.RESULT,
    ]


def test_dates_of_fields_are_compared_where_asked() -> None:
    now = replace(FARM, fields={1: replace(FIELD, start=TODAY)})
    assert moved_fields({3: FARM}, {3: now}, [3]) == {1: FIELD.start}
    assert moved_fields({3: FARM}, {3: now}, []) == {}
    assert moved_fields({3: FARM}, {3: FARM}, [3]) == {}
    assert moved_fields({}, {3: now}, [3]) == {}
