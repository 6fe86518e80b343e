"""What the chart of a field shows; the pictures themselves were looked at."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import pytest
from chart_samples import TODAY, course, has, marks, on, picture, result, texts

from alerts.charts.outlook_chart import OutlookChart, describe, draw, draw_small
from alerts.domain.records import Index, Method
from alerts.messages.wording import Wording

PNG = b"\x89PNG\r\n\x1a\n"


def size_of(png: bytes) -> tuple[int, int]:
    """Width and height, from the first chunk (Boutell et al., 1997, RFC 2083, 4.1.1)."""
    return int.from_bytes(png[16:20]), int.from_bytes(png[20:24])


def test_each_result_is_a_mark_in_the_shape_of_its_method(
    chart: OutlookChart, words: Wording
) -> None:
    root = picture(chart, words)
    assert (marks(root, "own-nir"), marks(root, "own-stem")) == (2, 1)
    assert not has(root, "own-wet")


def test_result_of_another_field_is_drawn_apart(chart: OutlookChart, words: Wording) -> None:
    other = replace(chart, results=(result(-3, 215, own=False), result(0, 201, own=False)))
    root = picture(other, words)
    assert marks(root, "other-nir") == 2
    assert not has(root, "own-nir")
    assert "hollow: other fields" in texts(root)


def test_target_start_and_today_are_named_where_they_are(
    chart: OutlookChart, words: Wording
) -> None:
    root = picture(chart, words)
    assert all(has(root, gid) for gid in ("range", "median", "target", "start", "start-median"))
    told = texts(root)
    assert "needs 185 standing" in told
    assert "start Fri May 14, likely May 12-16" in told
    assert "today" in told
    assert "206" in told
    assert "Plum Bottom, North, RFV" in told


def test_start_of_a_field_alone_is_not_taken_for_the_farms(
    chart: OutlookChart, words: Wording
) -> None:
    alone = replace(chart, alone=True)
    assert "if the only field: by Fri May 14, likely May 12-16" in texts(picture(alone, words))
    assert "If it were the only field it would be started by about Fri May 14" in describe(
        alone, words
    )


@pytest.mark.parametrize("name", ["Smith & <Sons>", '"Hill" $x$ $y$', "Peña Ñandú", "多 field"])
def test_name_is_shown_as_it_is(chart: OutlookChart, words: Wording, name: str) -> None:
    told = texts(picture(replace(chart, title=name), words))
    assert f"{name.replace('多', '?')}, RFV" in told


def test_long_name_is_cut_short(chart: OutlookChart, words: Wording) -> None:
    told = texts(picture(replace(chart, title="meadow " * 20), words))
    assert any(text.startswith("meadow meadow") and "…, RFV" in text for text in told)


@pytest.mark.parametrize("form", ["svg", "png"])
def test_same_chart_gives_the_same_bytes(chart: OutlookChart, words: Wording, form: str) -> None:
    assert draw(chart, form, words) == draw(chart, form, words)  # type: ignore[arg-type]


def test_another_process_draws_the_same_bytes(chart: OutlookChart, words: Wording) -> None:
    code = (
        "import sys; "
        "from alerts.charts.outlook_chart import OutlookChart, draw; "
        "from alerts.domain.records import Index; from alerts.messages.wording import ENGLISH; "
        "from datetime import date; "
        "sys.stdout.buffer.write(draw(OutlookChart('A', Index.RFV, date(2027, 5, 10), 185.0),"
        " 'svg', ENGLISH))"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True).stdout
    assert told == draw(OutlookChart("A", Index.RFV, TODAY, 185.0), "svg", words)


def test_pictures_have_the_sizes_they_are_shown_at(chart: OutlookChart, words: Wording) -> None:
    large, small = draw(chart, "png", words), draw_small(chart, words)
    assert large.startswith(PNG)
    assert (size_of(large), size_of(small)) == ((720, 600), (520, 180))
    assert draw_small(chart, words) == small


def test_picture_holds_nothing_that_runs_or_is_fetched(chart: OutlookChart, words: Wording) -> None:
    text = draw(chart, "svg", words).decode()
    assert "<script" not in text
    assert 'href="http' not in text
    assert "dc:date" not in text


def test_field_without_anything_known_has_its_target_only(words: Wording) -> None:
    bare = OutlookChart("North", Index.RFV, TODAY, 185.0)
    root = picture(bare, words)
    assert has(root, "target")
    assert not any(has(root, gid) for gid in ("median", "range", "start"))
    assert "no result yet" in texts(root)
    assert describe(bare, words) == "Chart of North. No result yet. It needs 185 standing."
    assert draw_small(bare, words).startswith(PNG)


def test_rising_index_has_a_limit(words: Wording) -> None:
    ndf = OutlookChart(
        title="Ledge",
        index=Index.NDF,
        today=TODAY,
        standing_target=38.0,
        results=(result(-2, 34.3, Method.WET_CHEMISTRY),),
        days=course(35.0, 0.5, 1.2),
        start_p10=on(3),
        start_median=on(5),
        start_p90=on(8),
    )
    told = texts(picture(ndf, words))
    assert "limit 38 standing" in told
    assert "34.3" in told
    # 35 + 0.5 a day reaches 38 on the sixth day
    assert ndf.crosses_on() == on(6)
    assert "It may stand at 38 at most." in describe(ndf, words)
    assert "reaches that about Sun May 16" in describe(ndf, words)


def test_very_wide_range_leaves_the_course_readable(words: Wording) -> None:
    wide = OutlookChart(
        "Wide", Index.RFQ, TODAY, 170.0, (), course(240, -5, 400), on(-3), on(11), None
    )
    root = picture(wide, words)
    assert "start Fri May 21, likely May 10 or later" in texts(root)
    ticks = [int(text) for text in texts(root) if text.isdigit()]
    # without a bound the scale would run from -230 to 640
    assert min(ticks) > 100
    assert max(ticks) < 300


@pytest.mark.parametrize(
    ("p10", "median", "p90", "told"),
    [
        (4, 4, 4, "start Fri May 14"),
        (-9, -6, -4, "start now"),
        (-1, 0, 3, "start now"),
        (24, 28, None, "start Mon Jun 7, likely Jun 3 or later"),
        (None, None, None, "start later than shown"),
    ],
)
def test_start_is_said_in_every_case(
    chart: OutlookChart,
    words: Wording,
    p10: int | None,
    median: int | None,
    p90: int | None,
    told: str,
) -> None:
    low, middle, high = (None if one is None else on(one) for one in (p10, median, p90))
    case = replace(chart, start_p10=low, start_median=middle, start_p90=high)
    assert told in texts(picture(case, words))


def test_words_say_what_the_picture_shows(chart: OutlookChart, words: Wording) -> None:
    # 205 less 4 a day is 185 on the fifth day
    assert describe(chart, words) == (
        "Chart of Plum Bottom, North. 3 results of its own. The last result, of Mon May 10, is "
        "RFV 206. Today, Mon May 10, it stands at about RFV 205, 80 % range RFV 196 to RFV 214. "
        "It needs 185 standing. The middle of the range reaches that about Sat May 15. "
        "Start of cutting: about Fri May 14, likely May 12-16."
    )


def test_words_say_when_the_target_is_past_or_out_of_sight(
    chart: OutlookChart, words: Wording
) -> None:
    past = replace(chart, days=course(180, -4, 5))
    far = replace(chart, days=course(290, -4, 5))
    assert "is past that already" in describe(past, words)
    assert "does not reach that by Mon May 24" in describe(far, words)


def test_words_and_picture_are_in_the_language_of_the_reader(
    chart: OutlookChart, spanish: Wording
) -> None:
    assert "debe estar en 185 al cortar" in texts(picture(chart, spanish))
    assert describe(chart, spanish).startswith("Gráfica de Plum Bottom, North. 3 resultados")


def test_early_clip_does_not_press_the_rest_together(chart: OutlookChart, words: Wording) -> None:
    early = replace(chart, results=(result(-60, 320), *chart.results))
    assert marks(picture(early, words), "own-nir") == 2
    assert describe(early, words).startswith("Chart of Plum Bottom, North. 4 results")


def test_matplotlib_is_loaded_with_the_first_picture_only() -> None:
    code = (
        "import sys; import alerts.web.farm, alerts.services.outlooks.evaluate_areas; "
        "sys.exit('matplotlib' in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
