"""The agreement page: complete, escaped, readable without color or network.

Its numbers are those of the tables.
"""

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.agreement.wording import number_words
from pipeline.reports.agreement_page import write_agreement_page
from schemas.contract import Column
from schemas.tables import TABLES
from tests.conftest import command
from tests.simulator.agreement_world import Seen, bullpens, measure_agreement, season

RANKS = {"radar": 1, "camera": 2, "unit": 3}
NAMES = {"radar": 'Stadium <radar> & "Co"', "camera": "Camera array", "unit": "Bullpen unit 2"}
METRICS_SEEN = (
    "release_speed_mph",
    "spin_rate_rpm",
    "spin_axis_deg",
    "release_side_ft",
    "release_height_ft",
    "extension_ft",
    "plate_side_ft",
    "plate_height_ft",
)


def tables_of(seen: Seen) -> dict[str, pl.DataFrame]:
    found = measure_agreement(seen, RANKS)._asdict()
    ids = seen.matches.select("sighting_id", pitch_id="p" + pl.col("group_id").str.slice(1))
    return found | {"sightings": seen.sightings.join(ids, on="sighting_id")}


@pytest.fixture(scope="module")
def tables() -> dict[str, pl.DataFrame]:
    seen = season(np.random.default_rng(1), 25, 40, metrics=METRICS_SEEN, night_sd=0.1)
    days = seen.pitches["baseball_day"].unique().sort()
    drifted = (pl.col("tracker") == "unit") & (pl.col("baseball_day") >= days[16])
    aimed = pl.when(pl.col("tracker") == "camera").then(pl.col("release_side_ft") + 0.54).otherwise("release_side_ft")
    called = (
        pl.when((pl.col("tracker") == "unit") & (pl.int_range(pl.len()) % 9 == 0))
        .then(pl.lit("cutter"))
        .otherwise("pitch_type")
    )
    return tables_of(
        seen._replace(
            sightings=seen.sightings.with_columns(
                pl.when(drifted)
                .then(pl.col("release_speed_mph") + 1.2)
                .otherwise("release_speed_mph")
                .alias("release_speed_mph"),
                release_side_ft=aimed,
                pitch_type=called,
            )
        )
    )


@pytest.fixture(scope="module")
def page(tables: dict[str, pl.DataFrame], tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("reports") / "agreement.html"
    write_agreement_page(tables, path, NAMES)
    return path.read_text(encoding="utf-8")


def headline(page: str) -> str:
    found = re.search(r'<div class="first"><p>(.*?)</p>', page)
    assert found
    return found[1]


def todo(page: str) -> list[str]:
    return re.findall(r"<li>(.*?)</li>", page[: page.index("<h2>All comparisons")])


def test_the_top_of_the_page_lists_what_to_do(page: str) -> None:
    assert headline(page) == "2 things need your attention."
    drift, aim = todo(page)
    assert re.fullmatch(
        r"Bullpen unit 2 has read release speed 1\.\d mph above Stadium .* since Mar \d+ \(9 nights, 360 pitches; before: .*\)\.",
        drift,
    )
    assert re.match(r"Camera array is aimed 0\.[56]\d?° ", aim)


def test_every_pair_and_metric_has_its_line_with_the_table_s_numbers(
    page: str, tables: dict[str, pl.DataFrame]
) -> None:
    body = page[page.index("All comparisons") : page.index("comparisons in pictures")]
    rows = tables["agreement"].filter(slice_by="all")
    assert body.count('<td class="light">') == rows.height
    for row in rows.iter_rows(named=True):
        limits = f"{number_words(row['metric'], row['loa_low'], signed=True)} to {number_words(row['metric'], row['loa_high'], signed=True)}"
        assert limits in body


def test_a_verdict_is_a_word_and_a_shape_not_only_a_color(page: str) -> None:
    verdicts = set(re.findall(r'<td class="light"><span class="shape">(.)</span>([a-z ]+)</td>', page))
    assert {("■", "act"), ("●", "agrees")} <= verdicts
    assert verdicts <= {
        ("■", "act"),
        ("▲", "watch"),
        ("●", "agrees"),
        ("○", "not enough data"),
        ("◇", "not comparable"),
    }


def test_nothing_is_fetched_from_anywhere(page: str) -> None:
    # names of XML namespaces are not addresses
    without_names = re.sub(r'xmlns(:\w+)?="[^"]*"', "", page)
    assert "http" not in without_names
    assert not re.findall(r'(?:src|href)="(?!#)[^"]+"', without_names)
    assert not re.findall(r"url\((?!#)", without_names)
    assert "@import" not in page


def test_names_are_text_and_never_markup(page: str) -> None:
    assert "<radar>" not in page
    assert "Stadium &lt;radar&gt; &amp; &#34;Co&#34;" in page


def test_links_lead_to_the_page_itself_and_ids_are_unique(page: str) -> None:
    ids = re.findall(r'\bid="([^"]+)"', page)
    links = set(re.findall(r'href="#([^"]+)"', page))
    assert links <= set(ids)
    cards = [name for name in ids if "-" in name]
    assert len(cards) == len(set(cards))


def test_the_page_is_well_formed(page: str) -> None:
    class Nesting(HTMLParser):
        open: list[str] = []  # noqa: RUF012

        def handle_starttag(self, tag: str, attrs: object) -> None:
            if tag not in {"meta", "br"}:
                self.open.append(tag)

        def handle_startendtag(self, tag: str, attrs: object) -> None:
            pass

        def handle_endtag(self, tag: str) -> None:
            assert self.open.pop() == tag

    parser = Nesting()
    parser.feed(page)
    assert parser.open == []


def test_the_correction_to_paste_is_on_the_page(page: str) -> None:
    assert "[[correction]]\ntracker = &#34;unit&#34;\nmetric = &#34;release_speed_mph&#34;\namount = -1." in page


def test_pitches_called_differently_are_named(page: str, tables: dict[str, pl.DataFrame]) -> None:
    cell = (
        tables["label_confusion"]
        .filter(tracker_a="radar", tracker_b="unit", label_b="cutter")
        .sort("pitches")
        .row(-1, named=True)
    )
    assert cell["example_pitch_ids"].split(",")[0] in page


@pytest.mark.slow
def test_the_same_tables_give_the_same_page(page: str, tables: dict[str, pl.DataFrame], tmp_path: Path) -> None:
    write_agreement_page(tables, tmp_path / "again.html", NAMES)
    assert (tmp_path / "again.html").read_text(encoding="utf-8") == page


def test_trackers_that_agree_need_no_attention(tmp_path: Path) -> None:
    seen = season(np.random.default_rng(3), 12, 40, {"radar": 0.2, "unit": 0.2}, ("release_speed_mph", "spin_rate_rpm"))
    write_agreement_page(tables_of(seen), tmp_path / "page.html", NAMES)
    assert headline((tmp_path / "page.html").read_text(encoding="utf-8")).startswith("Nothing needs your attention.")


def test_readings_in_different_units_need_attention_from_the_first_night(tmp_path: Path) -> None:
    seen = season(np.random.default_rng(3), 1, 40, {"radar": 0.2, "unit": 0.2}, ("release_speed_mph", "spin_rate_rpm"))
    # meters per second that the profile calls miles per hour
    slow = pl.when(pl.col("tracker") == "unit").then(pl.col("release_speed_mph") * 0.447)
    wrong = seen._replace(
        sightings=seen.sightings.with_columns(slow.otherwise("release_speed_mph").alias("release_speed_mph"))
    )
    write_agreement_page(tables_of(wrong), tmp_path / "page.html", NAMES)
    (sentence,) = todo((tmp_path / "page.html").read_text(encoding="utf-8"))
    assert sentence.startswith(
        "Bullpen unit 2 reads release speed in another unit (the ratio of m/s to mph), compared with "
    )
    assert "Check `unit` of this metric in the profiles of " in sentence


def test_each_pair_s_lines_are_together(tmp_path: Path) -> None:
    # a and c never meet and neither outranks the other; d's pairs with each must not mix
    both = season(
        np.random.default_rng(3), 6, 10, {"a": 0.2, "c": 0.2, "d": 0.2}, ("release_speed_mph", "spin_rate_rpm")
    )
    group = pl.col("group_id").str.slice(-1).is_in(list("02468ace"))
    ids = both.sightings.select("sighting_id", "tracker").join(both.matches, on="sighting_id")
    meets = ids.filter(pl.when(group).then(pl.col("tracker") != "a").otherwise(pl.col("tracker") != "c"))["sighting_id"]
    separate = both._replace(sightings=both.sightings.filter(pl.col("sighting_id").is_in(meets.implode())))
    write_agreement_page(tables_of(separate), tmp_path / "page.html", {})
    assert (tmp_path / "page.html").read_text(encoding="utf-8").count('<tr class="pair">') == 2


@pytest.mark.parametrize(("last", "nights"), [(23, 24), (21, 27)])
def test_a_unit_without_a_partner_has_its_lines_and_its_chart(tmp_path: Path, last: int, nights: int) -> None:
    seen = bullpens(np.random.default_rng(9), nights=nights, aim_deg=-0.9, turned=(18, last))
    write_agreement_page(tables_of(seen), tmp_path / "page.html", NAMES)
    written = (tmp_path / "page.html").read_text(encoding="utf-8")
    section = written[written.index("own earlier nights</h2>") :]
    (sentence,) = todo(written)
    assert section.count("release side against its pitchers") == 1
    assert "smoothed" not in section
    if last == nights - 1:
        assert sentence.startswith("Bullpen unit 2 is aimed ")
        assert sentence.endswith("Turn it toward third base.")
    else:
        # straight again: nothing to do at the mound, but those nights are uncorrected
        assert sentence.startswith("Bullpen unit 2 was aimed ")
        assert "Turn it" not in sentence
        assert "left, Mar 3-" in section
    assert "from = 2026-03-03" in section


def test_metrics_that_moved_on_one_day_are_one_thing_to_do(tmp_path: Path) -> None:
    seen = season(
        np.random.default_rng(7), 40, 50, {"radar": 0.3, "unit": 0.3}, ("release_speed_mph", "plate_speed_mph"), 0.05
    )
    hot = (pl.col("tracker") == "unit") & (pl.col("baseball_day") >= seen.pitches["baseball_day"].unique().sort()[31])
    speeds = ("release_speed_mph", "plate_speed_mph")
    both = seen.sightings.with_columns(
        pl.when(hot).then(pl.col(name) + 1.5).otherwise(name).alias(name) for name in speeds
    )
    write_agreement_page(tables_of(seen._replace(sightings=both)), tmp_path / "page.html", NAMES)
    (sentence,) = todo((tmp_path / "page.html").read_text(encoding="utf-8"))
    assert re.match(r"Bullpen unit 2 has read release speed 1\.\d mph above", sentence)
    assert re.search(r" Also since then: plate speed 1\.\d mph higher\.$", sentence)


def test_a_warehouse_with_one_tracker_has_a_page_that_says_so(tmp_path: Path) -> None:
    write_agreement_page(tables_of(season(np.random.default_rng(3), 2, 10, {"radar": 0.2})), tmp_path / "page.html", {})
    assert "no two trackers have seen the same pitch yet" in headline(
        (tmp_path / "page.html").read_text(encoding="utf-8")
    )


def test_one_night_has_a_page(tmp_path: Path) -> None:
    write_agreement_page(
        tables_of(season(np.random.default_rng(3), 1, 40, {"radar": 0.3, "unit": 0.3})), tmp_path / "page.html", NAMES
    )
    written = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "a chart with fewer than 5 nights raises none" in written
    # no empty panel for a missing score
    assert ">smoothed<" not in written


def test_a_version_of_an_older_program_is_refused_with_what_to_do(
    published_program: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    newer = replace(TABLES["drift"], columns=(*TABLES["drift"].columns, Column("new_column", pl.String, "new")))
    monkeypatch.setitem(TABLES, "drift", newer)
    done = command("report", "agreement", "-w", published_program)
    assert done.returncode == 3 and "new_column" in done.stderr and "pitchledger run --rebuild" in done.stderr
    assert "Traceback" not in done.stderr
