"""``clearwell sources``: the printed comparison, its notes, and refused input."""

import json
import re
from pathlib import Path
from typing import Any

import pytest

from bridge.commands.sources.file import SourcesTable
from bridge.config.tables import keys_at
from bridge.units import LITRES_PER_US_GALLON
from tests.running import clearwell

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "config" / "sources.toml"
BASIC = """
currency = "dollar"
[need]
per_day = "1 us-gal"
[feed]
solids = "300 ppm"
[tariffs]
water = 2.5
energy_per_kwh = 0.30
"""
ROOF = """
[rain]
roof_m2 = 8
tank = "300 l"
"""
WAYS = {
    "tap as it is",
    "bought distilled water",
    "distiller",
    "membrane",
    "exchange cartridge",
    "membrane, then cartridge",
}


class Sources:
    """The command, called as in a shell with a file."""

    def __init__(self, tmp_path: Path) -> None:
        self.file = tmp_path / "sources.toml"

    def run(self, *arguments: object) -> tuple[int, str, str]:
        done = clearwell("sources", *arguments)
        return done.status, done.stdout, done.stderr

    def text(self, toml: str, *more: object) -> str:
        self.file.write_text(toml, encoding="utf-8")
        status, out, err = self.run("--config", self.file, *more)
        assert (status, err) == (0, "")
        return out

    def whole(self, toml: str, *more: object) -> str:
        return self.text(toml, "--all", *more)

    def json(self, toml: str, *more: object) -> dict[str, Any]:
        made: dict[str, Any] = json.loads(self.text(toml, "--json", *more))
        return made

    def refusal(self, toml: str, *more: object) -> str:
        self.file.write_text(toml, encoding="utf-8")
        status, out, err = self.run("--config", self.file, *more)
        assert (status, out) == (2, "")
        assert len(err.splitlines()) == 1
        assert str(self.file) in err
        return err


@pytest.fixture
def sources(tmp_path: Path) -> Sources:
    return Sources(tmp_path)


def ways(made: dict[str, Any]) -> dict[str, Any]:
    return {one["way"]: one for one in made["ways"]}


def per_gallon(figure: dict[str, Any], part: str = "value") -> float:
    return float(figure[part]) * LITRES_PER_US_GALLON


# The next four: common practice, no source.


def test_a_pitcher_cartridge_treats_45_to_50_gallons_and_in_proportion_fewer_of_a_harder_feed(
    sources: Sources,
) -> None:
    def gallons(feed_ppm: float, rating: str = "") -> float:
        made = sources.json(BASIC.replace("300 ppm", f"{feed_ppm} ppm") + rating)
        return float(made["cartridge_treats_l"]) / LITRES_PER_US_GALLON

    for feed_ppm in (91.0, 95.0, 100.0):
        assert 45.0 <= gallons(feed_ppm) <= 50.0
    for feed_ppm in (80.0, 110.0):
        assert 40.0 < gallons(feed_ppm) < 57.0
    assert gallons(380.0) == pytest.approx(gallons(95.0) / 4.0)
    stated = '[cartridge]\ntreats = "47.5 us-gal"\ntreats_of = "95 ppm"\n'
    assert gallons(95.0, stated) == pytest.approx(47.5)


def test_at_15_and_20_gallons_a_cartridge_a_gallon_is_under_1_where_bought_water_is_1_00_to_1_60(
    sources: Sources,
) -> None:
    made = ways(
        sources.json(BASIC + '[cartridge]\nprice = 15\ntreats = "20 us-gal"\ntreats_of = "300 ppm"\n')
    )
    cartridge, bought = made["exchange cartridge"]["cost_per_l"], made["bought distilled water"]["cost_per_l"]
    assert 0.75 < per_gallon(cartridge) < 1.00
    assert per_gallon(bought, "low95") == pytest.approx(1.00, abs=0.02)
    assert per_gallon(bought, "high95") == pytest.approx(1.60, abs=0.02)
    assert cartridge["unit"] == "dollar per L"


def test_a_still_takes_4_hours_for_a_gallon_and_a_pitcher_a_quarter_of_an_hour(sources: Sources) -> None:
    made = ways(
        sources.json(
            BASIC
            + '[distiller]\nbatch = "1 us-gal"\nhours_per_batch = 4\nboiling_hours_per_day = 24\n'
            + "[cartridge]\npouring_hours_per_day = 24\n"
        )
    )
    assert 24.0 / (made["distiller"]["makes_l_per_day"]["value"] / LITRES_PER_US_GALLON) == pytest.approx(4.0)
    pitcher = made["exchange cartridge"]["makes_l_per_day"]["value"] / LITRES_PER_US_GALLON
    assert 24.0 / pitcher == pytest.approx(0.25)


def test_a_membrane_suits_the_larger_collection(sources: Sources) -> None:
    made = sources.json(BASIC)
    (turn,) = [
        one["from_l_per_day"]
        for one in made["overtakes"]
        if (one["way"], one["overtakes"]) == ("membrane", "exchange cartridge")
    ]
    assert turn["low95"] < turn["value"] < turn["high95"]
    for share, cheaper, dearer in (
        (0.5, "exchange cartridge", "membrane"),
        (2.0, "membrane", "exchange cartridge"),
    ):
        there = ways(sources.json(BASIC, "--need", f"{share * turn['value']} l"))
        assert there[cheaper]["cost_per_l"]["value"] < there[dearer]["cost_per_l"]["value"]


# Output.


def test_the_example_is_compared_and_fits_80_columns(sources: Sources) -> None:
    status, out, err = sources.run("--config", EXAMPLE, "--all")
    assert (status, err) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    for words in (
        *WAYS,
        "rain with its storage",
        "euro a litre",
        "Tap water into a tank of rain",
        "litres a day",
    ):
        assert words in out


def test_cautions_for_mains_supply_roof_resin_and_drinking_are_printed_below(sources: Sources) -> None:
    out = " ".join(sources.whole(BASIC).split())
    for words in (
        "licensed electrician",
        "as its maker says",
        "local plumbing code",
        "roof treatments",
        "Resin",
        "safe to drink",
    ):
        assert words in out.split("Cautions", 1)[1]


def test_every_line_of_numbers_refers_to_existing_notes(sources: Sources) -> None:
    out = sources.whole(BASIC + ROOF + _months())
    notes = {int(number) for number in re.findall(r"^ *(\d+) \S", out.split("\nNotes", 1)[1], re.MULTILINE)}
    table = out.split("\nway ", 1)[1].split("\nCost of a litre", 1)[0]
    found = [(line[:24].strip(), line.split()[-1]) for line in table.splitlines() if line[:24].strip()]
    found = [(name, text) for name, text in found if re.fullmatch(r"[\d,-]+", text)]
    named = [name for name, _ in found]
    # The tap has only words in the second table: any, none.
    twice = [*WAYS - {"tap as it is"}, "rain with its storage"] * 2
    assert sorted(named) == sorted([*twice, "tap as it is"])
    for _, text in found:
        for part in text.split(","):
            ends = [int(end) for end in part.split("-")]
            assert set(range(ends[0], ends[-1] + 1)) <= notes


def test_every_figure_in_json_has_notes_and_the_notes_mark_the_stated_values(sources: Sources) -> None:
    made = sources.json(BASIC + ROOF + _months() + "[cartridge]\nprice = 12\n")
    notes = {note["number"]: note for note in made["notes"]}
    figures = [value for way in made["ways"] for value in way.values() if isinstance(value, dict)]
    figures += [one["from_l_per_day"] for one in made["overtakes"]]
    assert len(figures) > 7 * 9
    for figure in figures:
        assert figure["notes"]
        assert set(figure["notes"]) <= set(notes)
    by_key = {note["key"]: note for note in notes.values() if note["key"]}
    assert by_key["cartridge.price"]["text"] == "cartridge 12 dollar (stated)"
    assert by_key["feed.solids"]["stated"]
    assert by_key["rain.roof_m2"]["stated"]
    assert "years drawn from 720 mm on 144 days" in by_key["rain.roof_m2"]["text"]
    assert not by_key["distiller.price"]["stated"]
    assert "common practice, no source" in by_key["distiller.price"]["text"]
    assert "usual value" not in by_key["tariffs.water"]["text"]
    # A key of the file can change every assumption with a number.
    for note in notes.values():
        assert note["key"] is not None or not re.search(r"\d", note["text"]), note["text"]
    named = {note["key"] for note in notes.values() if note["key"]}
    tables = [name for name in SourcesTable.model_fields if name not in ("currency", "blend")]
    of_file = {f"{table}.{key}" for table in tables for key in keys_at(SourcesTable, (table,))}
    assert named <= of_file
    # The other keys add to a named one: its unit, its spread, or another form of its value.
    assert of_file - named == {
        "bought.per", "bought.price_sd_percent", "tariffs.water_per", "feed.factor", "feed.sd_percent",
        "cartridge.capacity_sd_percent", "cartridge.equivalents_per_l", "cartridge.resin",
        "cartridge.treats", "cartridge.treats_of", "need.hours_per_day", "need.limit_ppm",
        "need.monthly", "need.target_ppm",
        "rain.daily_file", "rain.first_flush_mm", "rain.monthly_mm", "rain.runoff_percent",
        "rain.solids_sd_percent", "rain.tank", "rain.wet_days", "tariffs.hour",
    }  # fmt: skip


@pytest.mark.parametrize("rating", ["resin = 2\nequivalents_per_l = 0.6", "takes_up = '900 grain'"])
def test_a_rating_in_equivalents_follows_the_scale_of_the_ppm(sources: Sources, rating: str) -> None:
    cartridge = f"[cartridge]\n{rating}\n"
    half = " ".join(sources.whole(BASIC + cartridge).split())
    assert "50 g/eq on the scale of 0.5" in half
    other = sources.whole(BASIC.replace("[feed]\n", "[feed]\nfactor = 0.7\n") + cartridge)
    assert "70 g/eq on the scale of 0.7" in " ".join(other.split())


def test_a_rating_in_grams_is_on_the_scale_and_does_not_follow_it(sources: Sources) -> None:
    grams = "[cartridge]\ntakes_up = 60\n"
    other = BASIC.replace("[feed]\n", "[feed]\nfactor = 0.7\n")
    one, two = (ways(sources.json(text + grams))["exchange cartridge"] for text in (BASIC, other))
    assert one["cost_per_l"]["value"] == pytest.approx(two["cost_per_l"]["value"])


def test_a_default_price_is_not_called_stated_and_its_currency_is_named(sources: Sources) -> None:
    usual = sources.whole(BASIC)
    assert "cartridge 15 dollar (usual value)" in usual
    assert "usual ones in dollars" in usual
    assert "cartridge 15 dollar (stated)" in sources.whole(BASIC + "[cartridge]\nprice = 15\n")


def test_each_key_of_the_file_changes_the_answer(sources: Sources) -> None:
    base = sources.json(BASIC + ROOF + _months())
    changes = {
        "bought": ["price = 9", "per = 'ml'\nprice = 1", "price_sd_percent = 40", "journey_brings = 5"],
        "distiller": ["price = 999", "life_years = 1", "batch = '9 l'", "hours_per_batch = 9"],
        "membrane": ["price = 999", "upkeep_per_year = 9", "rejection_percent = 50", "recovery_percent = 50"],
        "cartridge": ["takes_up = '900 grain'", "resin = 1\nequivalents_per_l = 0.6", "holder_price = 99"],
    }
    more = {
        "bought": ["hours_per_journey = 9", "solids = '1 gpg'"],
        "distiller": ["energy_kwh_per_l = 1.5", "attended_hours_per_batch = 9", "solids = 9"],
        "membrane": ["life_years = 1", "makes_per_day = '9 us-gal'", "attended_hours_per_month = 9"],
        "cartridge": [
            "holder_life_years = 1",
            "minutes_per_l = 99",
            "attended_minutes_per_l = 99",
            "capacity_sd_percent = 60",
            "solids = 9",
        ],
    }
    for table in changes:
        for lines in changes[table] + more[table]:
            made = sources.json(BASIC + ROOF + _months() + f"[{table}]\n{lines}\n")
            assert made["ways"] != base["ways"], f"{table}: {lines}"
    vague = sources.json(BASIC.replace("[tariffs]", "sd_percent = 40\n[tariffs]") + ROOF + _months())
    assert vague["ways"] != base["ways"]
    for lines in (
        "runoff_percent = 20",
        "first_flush_mm = 5",
        "solids = 30",
        "solids_sd_percent = 90",
        "price = 999",
        "life_years = 1",
        "attended_hours_per_month = 9",
    ):
        made = sources.json(BASIC + ROOF + _months() + lines)
        assert made["ways"] != base["ways"], lines


def test_units_are_those_of_the_trade(sources: Sources) -> None:
    metric = sources.json(
        BASIC.replace("1 us-gal", "3.785411784 l").replace("300 ppm", "17.525 gpg"), "--limit", 60
    )
    assert metric["need_l_per_day"] == pytest.approx(LITRES_PER_US_GALLON)
    assert metric["feed_ppm"] == pytest.approx(300.0, rel=1e-3)
    assert metric["limit_ppm"] == 60.0
    cubic_feet = BASIC.replace("water = 2.5", 'water = 0.0707921\nwater_per = "ft3"')
    tap = ways(sources.json(cubic_feet))["tap as it is"]["cost_per_l"]
    assert tap["value"] == pytest.approx(0.0025, rel=1e-4)


def test_options_are_enough_without_a_file_and_override_the_file(sources: Sources) -> None:
    status, out, _ = sources.run(
        "--feed",
        "18 gpg",
        "--need",
        "4",
        "--water-price",
        3,
        "--energy-price",
        0.2,
        "--currency",
        "krone",
        "--json",
    )
    made = json.loads(out)
    assert status == 0
    assert set(ways(made)) == WAYS
    assert made["currency"] == "krone"
    assert ways(made)["tap as it is"]["cost_per_l"]["value"] == pytest.approx(0.003)
    more = sources.json(BASIC, "--feed", 500, "--target", 20)
    assert (more["feed_ppm"], more["target_ppm"]) == (500.0, 20.0)


def test_without_a_currency_the_text_names_none(sources: Sources) -> None:
    out = sources.whole(BASIC.replace('currency = "dollar"', ""))
    assert "Money in your own currency" in out
    assert "money a litre" in out


def test_the_cheapest_way_at_each_size_is_the_cheapest_in_the_comparison(sources: Sources) -> None:
    made = sources.json(BASIC)
    stretches = made["cheapest"]
    assert stretches[0]["from_l_per_day"] == 0.0
    # Twenty sets of 150 L a day; beyond them every way asks for too much work.
    assert stretches[-1]["to_l_per_day"] == pytest.approx(3000.0)
    for stretch in stretches:
        inside = 0.5 * (stretch["from_l_per_day"] + stretch["to_l_per_day"])
        there = [
            one
            for one in sources.json(BASIC, "--need", f"{inside} l")["ways"]
            if one["enough"] and one["suitability"] != "unsuitable"
        ]
        assert min(there, key=lambda one: one["cost_per_l"]["value"])["way"] == stretch["way"]


def test_a_crossover_beyond_the_output_of_a_way_is_marked(sources: Sources) -> None:
    slow = BASIC + "[membrane]\nmakes_per_day = 0.1\n"
    assert "that is more than one of them makes" in sources.whole(slow)
    assert "that is more than one of them makes" not in sources.whole(BASIC)


def test_the_answer_is_short_and_all_shows_the_rest(sources: Sources) -> None:
    short = sources.text(BASIC.replace("1 us-gal", "200 l"))
    answer = short.split("Caution:")[0].splitlines()
    assert len(answer) <= 10
    assert max(map(len, short.splitlines())) <= 80
    assert answer[1].startswith("First choice here: membrane")
    assert "2 of 150 L a day" in short
    assert "exchange cartridge (10 h of work a day)" in " ".join(short.split())
    assert "safe to drink" in " ".join(short.split())
    assert "--all" in short
    assert "Notes: what the numbers assume" not in short
    assert "Notes: what the numbers assume" in sources.whole(BASIC)


# Rain and blending.


def _months() -> str:
    return f"monthly_mm = {[60] * 12}\nwet_days = {[12] * 12}\n"


def test_a_larger_tank_bridges_longer_dry_spells(sources: Sources) -> None:
    shares = [
        ways(sources.json(BASIC + ROOF.replace("300 l", tank) + _months()))["rain with its storage"][
            "days_met_share"
        ]
        for tank in ("20 l", "60 l", "600 l")
    ]
    assert shares[0] < shares[1] < shares[2]
    assert shares[0] < 0.9
    assert shares[2] > 0.99


def test_recorded_days_of_rain_are_taken_from_a_file_beside_the_configuration(
    sources: Sources, tmp_path: Path
) -> None:
    (tmp_path / "rain.csv").write_text("day,rain_mm\n" + "1,20\n" + "2,0\n" * 39, encoding="utf-8")
    toml = BASIC.replace("1 us-gal", "5 l") + ROOF + 'first_flush_mm = 0\ndaily_file = "rain.csv"\n'
    rain = ways(sources.json(toml))["rain with its storage"]
    # 20 mm on 8 m2 at 85 % are 136 L: 27 days of 5 L, and 1 L is left.
    assert rain["days_met_share"] == pytest.approx(27 / 40)
    assert not rain["enough"]
    (tmp_path / "rain.csv").write_text("rain_mm\n20\n-1\n", encoding="utf-8")
    assert "row 2 (line 3): rain_mm is -1" in sources.refusal(toml)


def test_tap_water_is_added_until_the_upper_end_of_the_blend_is_at_the_limit(sources: Sources) -> None:
    toml = BASIC + '[blend]\nrain = "180 l"\nroom = "100 l"\nrain_solids = 12\nrain_sd_percent = 30\n'
    blend = sources.json(toml)["blend"]
    assert blend["blend_ppm"] + blend["blend_expanded_uncertainty_ppm"] == pytest.approx(50.0, abs=0.01)
    mixed = (180.0 * 12.0 + blend["tap_l"] * 300.0) / (180.0 + blend["tap_l"])
    assert mixed == pytest.approx(blend["blend_ppm"])
    assert blend["tap_share_at_bare_readings"] == pytest.approx((50.0 - 12.0) / (300.0 - 12.0))
    assert f"{blend['tap_l']:.1f} L of tap water may go in" in sources.whole(toml)


# Refusals.


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ("[cartridge]\nprice = -15\n", "cartridge.price = -15"),
        (
            "[bought]\nprice = 1\nper = 'pint'\n",
            "'pint' is not a unit of volume; it must be one of L, mL, m3, us-gal, ft3",
        ),
        (
            "[membrane]\nmakes_per_day = '40 pails'\n",
            "'pails' is not a unit of volume; it must be one of L, mL, m3, us-gal, ft3",
        ),
        ("[bought]\nsolids = 'two ppm'\n", "must be a number, or one with a unit"),
        ("[cartridge]\nprice = '15'\n", "without quotation marks"),
        ("[cartrige]\nprice = 15\n", "did you mean 'cartridge'?"),
        (
            "[cartridge]\ntreats = '180 l'\n",
            "cartridge.treats = 180.0: goes together with treats_of; give both",
        ),
        ("[cartridge]\nresin = 1\nequivalents_per_l = 0.6\ntakes_up = 3\n", "more than one rating"),
        ("[membrane]\nrecovery_percent = 120\n", "membrane.recovery_percent = 120"),
        ("[distiller]\nlife_years = 0\n", "distiller.life_years = 0"),
        (ROOF, "either monthly_mm with wet_days, or daily_file"),
        (ROOF + f"monthly_mm = {[60] * 12}\n", "monthly_mm goes together with wet_days"),
        (ROOF + "daily_file = 'none.csv'\n", "none.csv cannot be read"),
        (ROOF + f"monthly_mm = {[60] * 12}\nwet_days = {[12] * 11 + [32]}\n", "month 12"),
        ("[blend]\nrain = 100\nroom = 10\nrain_solids = 400\n", "harder than the tap water"),
        ("this is no TOML", "is not TOML"),
    ],
)
def test_a_wrong_file_gives_one_line_with_the_key(sources: Sources, more: str, says: str) -> None:
    assert says in sources.refusal(BASIC + more)


def test_a_file_without_its_tables_gives_one_line_with_the_missing_tables(sources: Sources) -> None:
    sources.file.write_text("", encoding="utf-8")
    status, _, err = sources.run("--config", sources.file)
    assert status == 2
    for table in ("need", "feed", "tariffs"):
        assert f"{table}: is missing; give a table with" in err


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ([], "missing here: --feed, --need, --water-price, --energy-price"),
        (["--feed", "300"], "missing here: --need, --water-price, --energy-price"),
        (["--advice", "20"], "--advice is now called --target"),
        (["--feed", "300 stones"], "--feed: 'stones' is not a unit of concentration"),
        (["--feed", "-3"], "--feed is -3; it must be above zero"),
        (["--need", "4 pints"], "--need: 'pints' is not a unit of volume"),
        (["--water-price", "-2"], "--water-price is -2"),
        (["--energy-price", "nan"], "--energy-price is nan"),
        (["--limit", "0"], "--limit is 0"),
        (["--config", "none.toml"], "none.toml cannot be read"),
    ],
)
def test_wrong_options_give_one_line(sources: Sources, options: list[str], says: str) -> None:
    status, out, err = sources.run(*options)
    assert (status, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert says in err
