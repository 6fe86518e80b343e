from __future__ import annotations

from dataclasses import replace

import pytest

from alerts.domain.errors import ConfigurationError
from alerts.domain.guidelines import NEEDED, NEEDED_AT, Guideline, GuidelineSet
from alerts.domain.records import Index, Readings


def entry(name: str, value: float = 1.0, low: float = 0.0, high: float = 2.0) -> Guideline:
    return Guideline(name, value, "points", low, high, "for a test", is_judgement=True, at=185.0)


def set_of(*entries: Guideline) -> GuidelineSet:
    return GuidelineSet({e.name: e for e in entries}, "house/guidelines.toml")


def test_value_is_looked_up_by_its_dotted_name() -> None:
    guidelines = set_of(entry("alerts.moved_days", 1.5))
    assert guidelines.value("alerts.moved_days") == 1.5
    assert guidelines["alerts.moved_days"].unit == "points"
    assert guidelines.get("alerts.moved_days") is guidelines["alerts.moved_days"]


def test_missing_entry_is_named_with_its_file_and_where_to_get_it() -> None:
    guidelines = set_of(entry("alerts.moved_days"))
    assert guidelines.get("alerts.stale_days") is None
    with pytest.raises(ConfigurationError) as caught:
        guidelines.value("alerts.stale_days")
    sentence = str(caught.value)
    assert "house/guidelines.toml" in sentence
    assert "'alerts.stale_days'" in sentence
    assert "shipped guidelines.toml" in sentence


def test_classes_of_animal_come_once_each_in_file_order() -> None:
    guidelines = set_of(
        entry("feed_target.milking_cows.rfv"),
        entry("feed_target.dry_cows.rfv"),
        entry("feed_target.milking_cows.ndf"),
        entry("handling_loss.haylage.rfv"),
    )
    assert guidelines.animal_classes() == ("milking_cows", "dry_cows")


def test_feed_target_is_of_one_index_and_never_of_another() -> None:
    guidelines = set_of(entry("feed_target.milking_cows.rfv", 150.0, 100.0, 200.0))
    assert guidelines.feed_target("milking_cows", Index.RFV) == 150.0
    assert guidelines.feed_target("milking_cows", Index.RFQ) is None
    assert guidelines.feed_target("goats", Index.RFV) is None


def test_limits_are_the_plausible_ranges() -> None:
    guidelines = set_of(entry("plausible.cp_pct_dm", 20, 3, 40), entry("alerts.moved_days"))
    assert guidelines.limits() == {"cp_pct_dm": (3, 40)}


def test_iteration_gives_every_entry(guidelines: GuidelineSet) -> None:
    assert len({e.name for e in guidelines}) == len(list(guidelines)) > 90


# --- what the evaluation relies on


def test_check_takes_the_shipped_file(guidelines: GuidelineSet) -> None:
    guidelines.check()


@pytest.mark.parametrize("name", NEEDED)
def test_check_names_a_missing_entry(guidelines: GuidelineSet, name: str) -> None:
    rest = set_of(*(e for e in guidelines if e.name != name))
    with pytest.raises(ConfigurationError, match=f"no entry '{name}'"):
        rest.check()


@pytest.mark.parametrize("name", sorted(NEEDED_AT))
def test_check_names_an_entry_that_says_no_level(guidelines: GuidelineSet, name: str) -> None:
    mended = [replace(e, at=None) if e.name == name else e for e in guidelines]
    with pytest.raises(ConfigurationError, match=f"{name}: says no 'at'"):
        set_of(*mended).check()


def test_ndf_needs_no_level() -> None:
    assert not [name for name in NEEDED_AT if name.endswith("ndf")]


def test_every_limit_is_that_of_a_reading(guidelines: GuidelineSet) -> None:
    readings = set(Readings._fields) | {"height_in"}
    assert set(guidelines.limits()) == readings
