"""The report of an invented year, checked against plain SQL on its log, with its PDF and its refusals."""

import io
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.forecast.learned import FEED_LIVELY_ODDS, USE_LIVELY_ODDS
from bridge.history.reader import Reader
from bridge.purifier.breakthrough import begin, observe
from bridge.purifier.cartridge import Evidence, estimate
from bridge.purifier.forecast import Forecast
from bridge.purifier.season import begin_season, learn_season
from bridge.report.gather import facts_of, gather
from bridge.report.season import Season
from bridge.report.season import season as report_of
from bridge.units import LITRES_PER_US_GALLON, DisplayUnits
from tests.purifier.judging import through_season
from tests.report import year
from tests.report.asked import Asked, near
from tests.report.read import Read, read
from tests.running import refused, succeeds
from tests.web.browser import WIDTHS, chromium

pytestmark = pytest.mark.slow


CONFIG = """
[display]
currency = "EUR"
zone = "Europe/Berlin"
{more}
[reservoir.barrel]
name = "Bog-garden <barrel>"
port = "/dev/ttyACM0"
factor = 0.5
[reservoir.barrel.shape]
kind = "upright-cylinder"
diameter_m = 0.58
height_m = 0.76
[reservoir.barrel.level.sensor]
table = [[0.05, 0.04], [0.95, 0.74]]
[reservoir.barrel.product]
cell_constant_per_cm = 0.1
[reservoir.barrel.purifier]
feed_ppm = 300
[reservoir.barrel.cartridge]
kind = "exchange"
takes_up = 300
rating_sd_percent = 20
price = 60
"""
START_MS = round(year.FIRST.timestamp() * 1000)
END_MS = START_MS + year.DAYS * 86_400_000


def report(*options: object) -> None:
    succeeds("report", *options)


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("year") / "clearwell.db"
    year.write(path)
    return path


@pytest.fixture(scope="module")
def config(log: Path) -> Path:
    path = log.with_name("clearwell.toml")
    path.write_text(CONFIG.format(more=""))
    return path


@pytest.fixture(scope="module")
def html(log: Path, config: Path) -> str:
    out = log.with_name("year.html")
    report(config, "--out", out)
    return out.read_text()


@pytest.fixture(scope="module")
def page(html: str) -> Read:
    return read(html)


@pytest.fixture(scope="module")
def asked(log: Path) -> Iterator[Asked]:
    one = Asked(log, year.ZONE, START_MS, END_MS)
    yield one
    one.db.close()


# --- every figure ---------------------------------------------------------------------------------

ABOUT = {"load": 0.01, "end": 0.01}
"""Figures that the report computes by the hour and the queries by the minute."""


def test_every_figure_agrees_with_an_independent_query(page: Read, asked: Asked) -> None:
    expected = asked.figures(year.PRICE)
    forecast = {name for name in page.figures if "/forecast-" in name or name.endswith("/cost-expected")}
    assert set(page.figures) - forecast == set(expected), (
        "a figure that nobody asked for, or one that is missing"
    )
    wrong = {
        name: (shown, expected[name])
        for name, values in page.figures.items()
        if name not in forecast
        for shown in values
        if not near(shown, expected[name], ABOUT.get(name.rpartition("/")[2], 1e-6))
    }
    assert not wrong
    assert len(page.figures) > 300


def own_forecasts(
    asked: Asked, treated: dict[int, list[float]]
) -> Iterator[tuple[int, int, float, Forecast]]:
    """Computes the forecasts at the litres given, day by day: number, place, litres treated, and forecast."""
    book: list[Evidence] = []
    feeds = uses = None
    week: list[tuple[float, float, float | None]] = []
    for number in range(3):
        front = begin(estimate(year.RATED_G, book, year.RATING_SD), year.LIMIT_PPM)
        wanted = list(enumerate(treated[number + 1], start=1))
        for day, so_far, litres, feed, product in asked.evenings(number):
            if feed is not None and product is not None:
                front = observe(front, litres, feed, min(product, 0.98 * year.LIMIT_PPM))
            week.append((day, litres, feed))
            first = week[0][0]
            if day - first >= 7.0:
                known = [one for _, _, one in week[1:] if one is not None]
                if known:
                    mean = sum(known) / len(known)
                    feeds = learn_season(feeds or begin_season(mean, first, FEED_LIVELY_ODDS), day, mean)
                per_day = sum(one for _, one, _ in week[1:]) / (day - first)
                uses = learn_season(uses or begin_season(per_day, first, USE_LIVELY_ODDS), day, per_day)
                week = week[-1:]
            while wanted and so_far >= wanted[0][1] - 0.5:
                assert feeds is not None
                assert uses is not None
                yield number + 1, wanted.pop(0)[0], so_far, through_season(front, feeds, uses, day, 7.0)
        rows = asked.rows("SELECT load, exhausted FROM cart ORDER BY ms")[: number + 1]
        book = [Evidence(load, bool(exhausted)) for load, exhausted in rows]


def test_each_past_forecast_follows_from_the_log_up_to_its_moment(page: Read, asked: Asked) -> None:
    def figure(number: int, place: int, name: str) -> float:
        return page.figures[f"cartridge-{number}/forecast-{place}/{name}"][0]

    treated: dict[int, list[float]] = {}
    for name, (value, *_) in page.figures.items():
        if found := re.fullmatch(r"cartridge-(\d)/forecast-\d/treated", name):
            treated.setdefault(int(found[1]), []).append(value)
    assert [len(treated[number]) for number in (1, 2, 3)] == [7, 7, 8]
    checked = 0
    for number, place, so_far, said in own_forecasts(asked, treated):
        left = said.litres_left.shifted(so_far)
        assert figure(number, place, "median") == pytest.approx(left.median, rel=0.03)
        assert figure(number, place, "low80") == pytest.approx(left.low80, rel=0.05)
        # During the first months, each weekly mean of the feed narrows the upper end a lot.
        wide = 0.3 if number == 1 else 0.05
        assert figure(number, place, "high80") == pytest.approx(left.high80, rel=wide)
        # In them the use too rests on few weeks, which begin on other days here than in the report.
        near = 0.2 if number == 1 else 0.1
        assert figure(number, place, "days") == pytest.approx(said.days_left.median, rel=near)
        checked += 1
    assert checked == 22
    last = figure(3, 8, "median")
    assert page.figures["cartridge-3/cost-expected"][0] == pytest.approx(year.PRICE / last)


def test_the_forecasts_are_compared_with_the_outcome(page: Read, asked: Asked) -> None:
    trips = [
        ms for (ms,) in asked.rows("SELECT ms FROM stood WHERE alarm = 'product-over-limit' ORDER BY ms")
    ]
    for number, trip_ms in enumerate(trips, start=1):
        for place in range(1, 8):
            at = f"cartridge-{number}/forecast-{place}"
            treated = page.figures[f"{at}/treated"][0]
            # A fill that runs past a full hour counts in two hours.
            made_ms = asked.one(
                "SELECT min(ms) FROM made WHERE number = ? AND hi >= ? - 0.01",
                number - 1,
                treated,
            )
            assert page.figures[f"{at}/true-days"][0] == pytest.approx((trip_ms - made_ms) / 864e5, abs=0.05)
            low, high = (page.figures[f"{at}/{end}"][0] for end in ("low80", "high80"))
            true_l = page.figures[f"cartridge-{number}/end"][0]
            assert low <= true_l <= high, "in this invented year every forecast held"
    assert page.text.count("within 80 %") == 14
    assert page.text.count("not contradicted") == 8
    for words in ("Exhausted", "In use", "to order the next one was raised on"):
        assert words in page.text


def test_no_later_row_changes_a_forecast(log: Path) -> None:
    def until(end_ms: int) -> Season:
        with Reader(log) as reader:
            material = gather(reader, "barrel", START_MS, end_ms, lambda _: None)
            facts = facts_of(reader, "barrel", (), material)
            return report_of(facts, material, DisplayUnits(zone=str(year.ZONE)).local)

    whole = until(END_MS)
    for number, place in ((0, 3), (1, 5)):
        then = whole.backtests[number].forecasts[place]
        # The fill may continue for one more hour.
        short = until(then.at_ms + 3_600_000).backtests[number].forecasts[-1]
        assert short == then


def test_gallons_and_conductivity_give_the_same_water(log: Path, tmp_path: Path, page: Read) -> None:
    config = tmp_path / "gallons.toml"
    config.write_text(CONFIG.format(more='volume = "US gal"\nsolids = "µS/cm"\ntemperature = "°F"\n'))
    report(config, "--log", log, "--out", tmp_path / "r.html", "--from", "2025-06-01", "--to", "2025-06-30")
    june = read((tmp_path / "r.html").read_text())
    litres = page.figures["made/2025-06"][0]
    assert june.figures["made"][0] == pytest.approx(litres / LITRES_PER_US_GALLON)
    assert june.shown["made"].endswith(" US gal")
    assert june.figures["product-worst"][0] == pytest.approx(page.figures["product-worst/2025-06"][0] / 0.5)
    assert june.shown["product-worst"].endswith(" µS/cm")
    weeks = [name for name in june.figures if name.startswith("made/")]
    assert sum(june.figures[name][0] for name in weeks) == pytest.approx(june.figures["made"][0])
    assert "before this report begins" in june.text, "the first cartridge was fitted before the report"


# --- page and PDF ---------------------------------------------------------------------------------


def test_the_page_needs_no_other_file_and_describes_its_charts_in_words(page: Read, html: str) -> None:
    assert page.closed
    assert len(page.ids) == len(set(page.ids))
    assert all(one.startswith("#") and one[1:] in page.ids for one in page.refers)
    assert not re.search(r"(?:https?|ftp|file|data):|//[a-z]|@import|url\((?!#)", html)
    assert page.tags["svg"] == page.named == 5
    assert page.tags["title"] == 1 + page.tags["svg"] == 1 + page.tags["desc"]
    assert "script" not in page.tags
    assert page.tags["table"] == page.tags["caption"]
    for caution in (
        "says nothing of microbes, pesticides, lead or solvents",
        "safe to drink",
        "roof treatments",
        "do not belong in eyes, hands or drains",
        "licensed electrician",
    ):
        assert caution in page.text
    assert "Europe/Berlin, UTC+01:00 and UTC+02:00" in page.text
    assert "± % (k = 2)" in page.text
    assert "\\x" not in page.text, "a character was printed as its escape"
    assert "2024-12-31T23:00Z to 2025-12-31T23:00Z" in page.text
    assert "Energy, feed water" in page.text
    # Text from outside is shown as text and never as markup.
    assert year.SAMPLE_NOTE in page.text
    assert "Bog-garden <barrel>" in page.text


def test_the_same_log_makes_the_same_page(config: Path, tmp_path: Path) -> None:
    written = re.compile(r"<p>Written by clearwell .*</p>")
    made = []
    for name in ("one.html", "two.html"):
        report(config, "--out", tmp_path / name, "--from", "2025-06-01", "--to", "2025-06-20")
        made.append(written.sub("", (tmp_path / name).read_text()))
    assert made[0] == made[1]


@pytest.mark.needs("libpangoft2-1.0-0")
@pytest.mark.parametrize(("paper", "points"), [("a4", (595, 842)), ("letter", (612, 792))])
def test_the_pdf_has_page_numbers_and_the_same_content(
    log: Path, config: Path, tmp_path: Path, paper: str, points: tuple[int, int]
) -> None:
    from pypdf import PdfReader

    out = tmp_path / "june.pdf"
    report(config, "--out", out, "--from", "2025-06-09", "--to", "2025-06-15", "--paper", paper)
    pages = PdfReader(io.BytesIO(out.read_bytes())).pages
    texts = [" ".join(one.extract_text().split()) for one in pages]
    assert [round(float(side)) for side in pages[0].mediabox[2:]] == list(points)
    assert all(f"{number} / {len(pages)}" in text for number, text in enumerate(texts, start=1))
    whole = " ".join(texts)
    for words in (
        "Caution.",
        "safe to drink",
        "Exhausted",
        "Alarms and trips",
        "product-over-limit",
        "Purity",
    ):
        assert words in whole
    # A chart and its caption are on one page, so the axis and the caption are found together.
    for axis, caption in (
        ("water made, L", "Water made, by day."),
        ("treated since new, L", "Above, the product"),
    ):
        assert any(axis in text and caption in text for text in texts)


# --- odd logs -------------------------------------------------------------------------------------


def test_a_report_from_the_log_alone_lists_its_assumptions(log: Path, tmp_path: Path, page: Read) -> None:
    report("--log", log, "--out", tmp_path / "r.html", "--from", "2025-03-01", "--to", "2025-03-31")
    alone = read((tmp_path / "r.html").read_text())
    march = page.figures["product-median/2025-03"][0]
    assert alone.figures["product-median"] == pytest.approx([march, march], rel=1e-2)
    assert "The target is assumed to be 25 ppm" in alone.text
    assert "per L" in alone.text, "no currency was named"


def test_a_month_without_water_has_sensible_text(log: Path, config: Path, tmp_path: Path) -> None:
    report(config, "--out", tmp_path / "r.html", "--from", "2025-02-01", "--to", "2025-02-28")
    february = read((tmp_path / "r.html").read_text())
    assert february.figures["made"] == [0.0]
    assert "The log shows no flow" in february.text
    assert february.tags["svg"] == 2


def test_days_without_a_record_are_not_counted_as_dry_days(log: Path, config: Path, tmp_path: Path) -> None:
    report(config, "--out", tmp_path / "r.html", "--from", "2025-08-05", "--to", "2025-08-22")
    august = read((tmp_path / "r.html").read_text())
    assert august.figures["gap-hours"] == [240.0]
    assert august.text.count("no record") >= 20
    assert "made/2025-08-12" not in august.figures


# --- refusals -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--out", "r.txt"), "must end in .html or .pdf"),
        (("--out", "nowhere/r.html"), "there is no directory"),
        (("--out", "there.html"), "is there already"),
        (("--out", "r.html", "--reservoir", "pond"), "no such reservoir; it has barrel"),
        (("--out", "r.html", "--from", "2026-06-01"), "the log ends earlier"),
        (("--out", "r.html", "--from", "soon"), "is not a time"),
    ],
)
def test_a_mistake_gets_one_sentence(
    log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: tuple[str, ...], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("there.html").write_text("mine")
    assert said in refused("report", "--log", log, *options)
    assert Path("there.html").read_text() == "mine"


def test_without_a_log_the_command_asks_for_one(tmp_path: Path) -> None:
    assert "no log is given" in refused("report", "--out", tmp_path / "r.html")


@pytest.mark.parametrize(("library", "name"), [("matplotlib", "r.html"), ("weasyprint", "r.pdf")])
def test_without_the_extra_the_missing_library_is_named(
    log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, library: str, name: str
) -> None:
    monkeypatch.setitem(sys.modules, library, None)
    said = refused("report", "--log", log, "--out", tmp_path / name)
    assert re.search(rf"the library {library}.*clearwell-bridge\[report\]", said)
    assert not list(tmp_path.iterdir())


# --- the first page -------------------------------------------------------------------------------


def test_the_answers_stand_before_every_chart_and_table(config: Path, tmp_path: Path) -> None:
    report(config, "--out", tmp_path / "r.html", "--from", "2025-03-01", "--to", "2025-03-31")
    document = (tmp_path / "r.html").read_text()
    first = min(document.index("<svg"), document.index("<table"))
    for name in ("Water made", "What the plants got", "Days nearly empty", "Cost", "Next order"):
        assert document.index(f"<dt>{name}</dt>") < first
    assert document.index("What to change for the next season") < first


OVERLAPS = """() => [...document.querySelectorAll("svg")].flatMap(svg => {
  const texts = [...svg.querySelectorAll("text")].map(one => [one.textContent, one.getBoundingClientRect()]);
  const titles = texts.filter(([text]) => /^(forecast|product|water)/.test(text));
  return titles.flatMap(([title, a]) => texts
    .filter(([text, b]) => text !== title && Math.min(a.right, b.right) > Math.max(a.left, b.left)
      && Math.min(a.bottom, b.bottom) > Math.max(a.top, b.top))
    .map(([text]) => `${title} covers ${text}`));
})"""


@pytest.mark.needs("chromium")
async def test_no_title_of_an_axis_covers_a_number_on_a_phone(html: str, tmp_path: Path) -> None:
    path = tmp_path / "year.html"
    path.write_text(html)
    async with chromium() as browser:
        phone = await browser.new_page(viewport={"width": WIDTHS[0], "height": 800})
        await phone.goto(path.as_uri())
        titles = await phone.locator("svg text", has_text="forecast made at").count()
        assert titles > 0
        assert await phone.evaluate(OVERLAPS) == []
