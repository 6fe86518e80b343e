"""The two commands as a person runs them; fields and results are simulated or invented."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer import Typer
from typer.testing import CliRunner, Result

from alerts.backtest.commands import backtest, calibrate, compare_scales, simulate
from alerts.domain.errors import UnreadableDocument

app = Typer()
for command in (backtest, simulate, calibrate, compare_scales):
    app.command()(command)

KEYS = ["index", "predictor", "n", "mae", "rmse", "bias", "coverage80", "mean_width80"]


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("sim") / "right.csv"
    assert (
        run("simulate", "--world", "right", "--areas", 8, "--seed", 4, "--out", file).exit_code == 0
    )
    return file


def test_backtest_as_json_lists_every_index_and_predictor(table: Path) -> None:
    result = run("backtest", table, "--json", "--target", "rfv=185", "--target", "NDF_pct = 38")
    assert result.exit_code == 0
    told = json.loads(result.output)
    assert [list(row) for row in told["predictions"]] == [KEYS] * 9
    assert {row["predictor"] for row in told["predictions"]} == {"ours", "rule", "line"}
    assert {row["index"] for row in told["predictions"]} == {"rfv", "rfq", "ndf"}
    crossings = {(row["index"], row["target"], row["predictor"]) for row in told["crossings"]}
    targets = (("rfv", 185.0), ("ndf", 38.0))
    assert crossings == {(*t, name) for t in targets for name in ("ours", "rule", "line")}
    assert all(0 <= row["coverage80"] <= 1 and row["n"] > 0 for row in told["crossings"])
    assert set(told["too_early"]) == {"rfv", "rfq", "ndf"}
    assert told["left_out"] == []


def test_backtest_in_words(table: Path) -> None:
    result = run("backtest", table, "--target", "rfv=185")
    assert result.exit_code == 0
    for word in ("RFV 185", "ours", "rule", "line", "RMSE", "too early to compare"):
        assert word in result.output


def test_backtest_says_what_it_left_out(tmp_path: Path) -> None:
    file = tmp_path / "spring.csv"
    file.write_text("series_id,date,rfv\nA,2027-05-03,190\nA,soon,180\nB,2027-05-03,170\n")
    result = run("backtest", file, "--target", "rfv=150")
    assert result.exit_code == 0
    assert "row 3 left out, date: 'soon' is not a date" in result.output
    assert "there is nothing to score" in result.output
    assert "No series crosses RFV 150" in result.output
    told = json.loads(run("backtest", file, "--json").output)
    assert told["predictions"] == told["crossings"] == []
    assert told["left_out"][0]["row"] == 3


@pytest.mark.parametrize("target", ["rfv", "rfv=", "rfv=fine", "rfv=-3", "adf=30", "rfv=nan"])
def test_a_target_that_is_none_is_refused(table: Path, target: str) -> None:
    result = run("backtest", table, "--target", target)
    assert result.exit_code == 2
    assert "is no target" in result.output


def test_files_that_cannot_be_used_end_in_one_sentence(tmp_path: Path) -> None:
    missing = run("backtest", tmp_path / "none.csv")
    assert (missing.exit_code, "cannot read" in missing.output) == (1, True)
    empty = tmp_path / "empty.csv"
    empty.write_text("")
    assert isinstance(run("backtest", empty).exception, UnreadableDocument)
    nowhere = run("simulate", "--out", tmp_path / "no" / "such.csv", "--areas", 1)
    assert (nowhere.exit_code, "cannot write" in nowhere.output) == (1, True)


@pytest.mark.parametrize("world", ["heat_wave", "biased_lab"])
def test_simulate_writes_table_and_truth(tmp_path: Path, world: str) -> None:
    out, truth = tmp_path / "sim.csv", tmp_path / "truth.csv"
    result = run(
        "simulate", "--world", world, "--areas", 2, "--seed", 1, "--gdd", "--out", out,
        "--truth", truth,
    )  # fmt: skip
    assert result.exit_code == 0
    assert "of 2 areas" in result.output
    assert out.read_text().startswith("series_id,area,date,cutting,crop,rfv,rfq,ndf_pct,gdd41f\n")
    assert truth.read_text().startswith("series_id,index,target,met_on,part_of_day\n")


def test_simulate_refuses_a_world_nobody_knows(tmp_path: Path) -> None:
    assert run("simulate", "--world", "flat", "--out", tmp_path / "x.csv").exit_code == 2


def test_calibrate_and_compare_scales_print_their_tables() -> None:
    calibrated = run("calibrate", "--areas", 3, "--seed", 2)
    assert calibrated.exit_code == 0
    assert "oracle" in calibrated.output
    compared = run("compare-scales", "--areas", 3, "--seed", 2)
    assert compared.exit_code == 0
    assert "1/sqrt RFV" in compared.output
