"""``clearwell forecast --trace``: its input, its output, and its errors."""

import json
import math
import os
import pty
import random
import re
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import InputError
from bridge.purifier.cartridge import Evidence, estimate
from bridge.purifier.forecast import quantiles
from bridge.purifier.trace import TraceRow, crossings, forecast_trace
from tests import running

ROOT = Path(__file__).parents[2]
HEADER = "volume_L,feed_ppm,product_ppm"
KEYS = ["volume_L", "median_L", "low80_L", "high80_L", "low95_L", "high95_L"]
CAPACITY_G = 30.0
FEED_PPM = 300.0


def rows(count: int, to_l: float, swing: float = 0.0) -> list[TraceRow]:
    """Returns a bed of 30 g with a logistic front, 1 % of the capacity wide. The feed may swing."""
    made = []
    for k in range(1, count + 1):
        volume = to_l * k / count
        z = (volume * FEED_PPM / 1000.0 - CAPACITY_G) / (0.01 * CAPACITY_G)
        feed = FEED_PPM * (1.0 + swing * math.sin(9.0 * k / count))
        made.append(TraceRow(volume, feed, 0.3 + 0.8 * (FEED_PPM - 0.3) / (1.0 + math.exp(-z))))
    return made


def crossing_l() -> float:
    """Returns the litres at which the bed of ``rows`` with a steady feed passes 50 ppm, in closed form."""
    rise = math.log(49.7 / (0.8 * (FEED_PPM - 0.3) - 49.7))
    return CAPACITY_G * (1.0 + 0.01 * rise) * 1000.0 / FEED_PPM


def written(path: Path, trace: list[TraceRow]) -> Path:
    lines = [f"{row.volume_l!r},{row.feed_ppm!r},{row.product_ppm!r}" for row in trace]
    path.write_text("\n".join([HEADER, *lines, ""]), encoding="utf-8")
    return path


class Clearwell:
    """The command line, called as in a shell."""

    def __call__(self, *arguments: object) -> tuple[int, str, str]:
        done = running.clearwell(*arguments)
        return done.status, done.stdout, done.stderr

    def forecast(self, trace: Path, *more: object) -> str:
        status, out, err = self("forecast", "--trace", trace, "--capacity-grams", 30, "--limit", 50, *more)
        assert (status, err) == (0, "")
        return out


@pytest.fixture
def clearwell() -> Clearwell:
    return Clearwell()


def test_a_line_for_each_row_has_the_six_columns_aligned(clearwell: Clearwell, tmp_path: Path) -> None:
    lines = clearwell.forecast(written(tmp_path / "trace.csv", rows(20, 80.0))).splitlines()
    assert [word.strip() for word in lines[0].split(",")] == KEYS
    assert len(lines) == 21
    assert len({len(line) for line in lines}) == 1
    assert len(lines[0]) <= 80
    first = dict(zip(KEYS, map(float, lines[1].split(",")), strict=True))
    assert first["volume_L"] == 4.0
    assert first["low95_L"] < first["low80_L"] < first["median_L"] < first["high80_L"] < first["high95_L"]
    assert first["median_L"] == pytest.approx(100.0, rel=0.05)


def test_json_is_a_list_of_objects_with_exactly_these_keys(clearwell: Clearwell, tmp_path: Path) -> None:
    out = json.loads(clearwell.forecast(written(tmp_path / "trace.csv", rows(20, 80.0)), "--json"))
    assert [list(one) for one in out] == [KEYS] * 20
    assert out[4]["volume_L"] == pytest.approx(20.0)


def test_a_row_is_forecast_from_the_rows_up_to_it(clearwell: Clearwell, tmp_path: Path) -> None:
    trace = rows(60, 110.0, swing=0.2)
    whole = json.loads(clearwell.forecast(written(tmp_path / "whole.csv", trace), "--json"))
    for count in (1, 30, 55):
        part = json.loads(clearwell.forecast(written(tmp_path / "part.csv", trace[:count]), "--json"))
        assert part == whole[:count]


def test_the_forecast_closes_in_on_the_litres_at_which_the_product_crosses(
    clearwell: Clearwell, tmp_path: Path
) -> None:
    out = json.loads(clearwell.forecast(written(tmp_path / "trace.csv", rows(400, 110.0)), "--json"))
    truth = out[-1]["median_L"]
    assert truth == pytest.approx(crossing_l(), rel=0.003)
    assert out[-1]["low95_L"] == out[-1]["high95_L"] == truth
    before = next(one for one in out if one["volume_L"] > 0.98 * truth)
    assert before["high80_L"] - before["low80_L"] < 0.4 * (out[0]["high80_L"] - out[0]["low80_L"])
    assert out[0]["low95_L"] < truth < out[0]["high95_L"]


def test_the_fast_forecast_agrees_with_the_full_one() -> None:
    trace = rows(150, 108.0, swing=0.3)
    quick = crossings(trace, estimate(CAPACITY_G), 50.0)
    for fast, full in zip(quick, forecast_trace(trace, CAPACITY_G, 50.0), strict=True):
        assert fast.volume_l == full.volume_l
        for name in ("median", "low80", "high80", "low95", "high95"):
            # The full forecast interpolates within single cells of its grid, which are 3 % of the life wide.
            assert getattr(fast.crossing_l, name) == pytest.approx(getattr(full.crossing_l, name), rel=0.03)


def test_a_pure_product_moves_the_forecast_smoothly_from_row_to_row() -> None:
    prior = estimate(CAPACITY_G, rating_sd=0.20)
    medians = [one.crossing_l.median for one in crossings(rows(200, 60.0), prior, 50.0)]
    steps = [abs(b - a) for a, b in pairwise(medians)]
    assert max(steps) < 0.005 * medians[0]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.0, 50.0), st.floats(0.01, 20.0), st.floats(0.1, 3.0)), min_size=1, max_size=12
    ),
    st.floats(0.02, 0.98),
)
def test_a_quantile_is_right_for_overlapping_cells(
    shapes: list[tuple[float, float, float]], share: float
) -> None:
    cells = [(low, low + width, weight) for low, width, weight in shapes]
    (value,) = quantiles(cells, [share])
    below = sum(w * min(max((value - low) / (high - low), 0.0), 1.0) for low, high, w in cells)
    assert below == pytest.approx(share * sum(w for _, _, w in cells), rel=1e-6)


def test_a_cell_without_width_has_its_whole_weight_at_one_value() -> None:
    cells = [(0.0, 10.0, 1.0), (4.0, 4.0, 2.0)]
    assert quantiles(cells, [0.1, 0.2, 0.5, 0.75, 0.9]) == pytest.approx([3.0, 4.0, 4.0, 4.0, 7.0])
    with pytest.raises(InputError):
        quantiles(cells, [1.0])
    with pytest.raises(InputError):
        quantiles([], [0.5])


def test_earlier_cartridges_narrow_the_forecast_and_move_it(clearwell: Clearwell, tmp_path: Path) -> None:
    trace = written(tmp_path / "trace.csv", rows(5, 10.0))

    def last(*more: object) -> tuple[float, float]:
        one = json.loads(clearwell.forecast(trace, "--json", *more))[-1]
        return one["median_L"], one["high80_L"] - one["low80_L"]

    rating, width = last()
    spent, narrower = last("--earlier", 24, "--earlier", 25)
    assert spent == pytest.approx(24.5 / 0.3, rel=0.05)
    assert spent < rating
    assert narrower < 0.5 * width
    changed_early, _ = last("--earlier-unspent", 36)
    assert changed_early > 1.05 * rating
    _, sure = last("--rating-sd", 0.05)
    assert sure < 0.5 * width
    expected = estimate(30.0, [Evidence(36.0, exhausted=False)]).median_g / 0.3
    assert changed_early == pytest.approx(expected, rel=0.03)


def test_columns_may_be_in_any_order_and_among_others(clearwell: Clearwell, tmp_path: Path) -> None:
    usual = clearwell.forecast(written(tmp_path / "usual.csv", rows(6, 60.0)))
    lines = [f"x,{row.product_ppm!r},{row.volume_l!r}, {row.feed_ppm!r}" for row in rows(6, 60.0)]
    other = tmp_path / "other.csv"
    other.write_text(
        "\ufeffnote,product_ppm,volume_L,feed_ppm\r\n" + "\r\n\r\n".join(lines), encoding="utf-8"
    )
    assert clearwell.forecast(other) == usual


def test_the_plot_shows_intervals_median_and_the_crossing_of_the_trace(
    clearwell: Clearwell, tmp_path: Path
) -> None:
    out = clearwell.forecast(written(tmp_path / "trace.csv", rows(80, 110.0)), "--plot")
    plot = out.split("litres at the crossing, as forecast\n", 1)[1]
    assert max(map(len, plot.splitlines())) <= 80
    field = [line[9:] for line in plot.splitlines() if line[8:9] in ("|", "+")]
    assert {"#", ":", ".", "/", "-"} <= set("".join(field))
    crossed = next(k for k, line in enumerate(field) if line.count("-") > 5 and "+" not in line)
    assert field[crossed].rstrip().endswith("#")
    said = re.search(r"reached 50 ppm here, at ([\d.]+) L", plot)
    assert said is not None
    assert float(said[1]) == pytest.approx(crossing_l(), rel=0.005)
    assert "rating ±50 %" in plot


def test_before_the_crossing_the_plot_shows_the_litres_left(clearwell: Clearwell, tmp_path: Path) -> None:
    trace = written(tmp_path / "trace.csv", rows(10, 40.0))
    plot = clearwell.forecast(trace, "--plot")
    row = json.loads(clearwell.forecast(trace, "--json"))[-1]
    assert f"{row['median_L'] - 40.0:.3g} L from now" in plot
    assert f"80 %: {row['low80_L'] - 40.0:.3g} to {row['high80_L'] - 40.0:.3g} L" in plot


def test_a_single_reading_can_be_plotted(clearwell: Clearwell, tmp_path: Path) -> None:
    trace = tmp_path / "one.csv"
    trace.write_text(f"{HEADER}\n0,300,0.2\n", encoding="utf-8")
    assert "# median" in clearwell.forecast(trace, "--plot")


def test_a_terminal_gets_the_plot_and_the_progress_of_a_long_trace_and_a_pipe_gets_neither(
    tmp_path: Path,
) -> None:
    short, long = (
        written(tmp_path / "short.csv", rows(8, 60.0)),
        written(tmp_path / "long.csv", rows(5000, 60.0)),
    )
    assert "# median" in _on_a_terminal(short, tmp_path, bar=False)
    assert "100%" in _on_a_terminal(long, tmp_path, bar=True)
    lines = (tmp_path / "out").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 5001
    assert not any("#" in line for line in lines)


def _on_a_terminal(trace: Path, tmp_path: Path, bar: bool) -> str:
    """Returns the terminal's output, with the table on the terminal or in a file."""
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "bridge", "forecast", "--trace", str(trace)]
    with (tmp_path / "out").open("w") as file:
        process = subprocess.Popen(
            [*command, "--capacity-grams", "30", "--limit", "50"],
            cwd=ROOT,
            env={**os.environ, "TERM": "xterm"},
            stdout=file if bar else theirs,
            stderr=theirs,
        )
    os.close(theirs)
    shown = b""
    while True:
        try:
            piece = os.read(ours, 65536)
        except OSError:
            break
        if not piece:
            break
        shown += piece
    os.close(ours)
    assert process.wait() == 0
    return shown.decode()


def test_a_feed_that_is_never_over_the_limit_is_reported(clearwell: Clearwell, tmp_path: Path) -> None:
    trace = tmp_path / "soft.csv"
    trace.write_text(f"{HEADER}\n10,40,0.2\n", encoding="utf-8")
    status, out, err = clearwell("forecast", "--trace", trace, "--capacity-grams", 30, "--limit", 50)
    assert status == 0
    assert len(out.splitlines()) == 2
    assert "never over the limit" in err


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "empty"),
        (f"{HEADER}\n", "no rows"),
        ("volume_L,feed_ppm\n1,2\n", "column product_ppm is missing"),
        ("volume_L;feed_ppm;product_ppm\n1;2;1\n", "column volume_L is missing"),
        (f"{HEADER},feed_ppm\n1,2,1,2\n", "feed_ppm is there more than once"),
        (f"{HEADER}\n1,300,1\n0.5,300,1\n", "row 2 (line 3): volume_L is 0.5 after 1"),
        (f"{HEADER}\n1,300,1\n\n2,-3,1\n", "row 2 (line 4): feed_ppm is -3"),
        (f"{HEADER}\n1,3,280\n2,4,300\n", "the feed is far below the product in most rows"),
        (f"{HEADER}\n1,abc,1\n", "row 1 (line 2): feed_ppm is 'abc'"),
        (f"{HEADER}\n1,nan,1\n", "feed_ppm is 'nan'"),
        (f"{HEADER}\n1,1_000,1\n", "feed_ppm is '1_000'"),
        (f"{HEADER}\n1,300,1\n2,300\n", "row 2 (line 3): product_ppm is missing"),
        ("\xff\xfe\x00 no text", "not a CSV file in UTF-8"),
    ],
)
def test_a_wrong_trace_gives_one_line_with_file_and_row_and_no_table(
    clearwell: Clearwell, tmp_path: Path, text: str, says: str
) -> None:
    trace = tmp_path / "trace.csv"
    trace.write_bytes(text.encode("latin-1"))
    status, out, err = clearwell("forecast", "--trace", trace, "--capacity-grams", 30, "--limit", 50)
    assert (status, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert str(trace) in err
    assert says in err


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--limit", "50"], "--trace needs --capacity-grams"),
        (["--capacity-grams", "30"], "--trace needs --limit"),
        (["--capacity-grams", "0", "--limit", "50"], "--capacity-grams is 0"),
        (["--capacity-grams", "inf", "--limit", "50"], "--capacity-grams is inf"),
        (["--capacity-grams", "30", "--limit", "-1"], "--limit is -1"),
        (["--capacity-grams", "30", "--limit", "50", "--rating-sd", "3"], "0.01 to 1"),
        (["--capacity-grams", "30", "--limit", "50", "--earlier", "-2"], "-2 g"),
        (["--capacity-grams", "30", "--limit", "50", "--earlier-unspent", "0"], "0 g"),
        (["--capacity-grams", "30", "--limit", "50", "--plot", "--json"], "do not go together"),
    ],
)
def test_a_wrong_option_gives_one_line(
    clearwell: Clearwell, tmp_path: Path, options: list[str], says: str
) -> None:
    trace = written(tmp_path / "trace.csv", rows(3, 10.0))
    status, out, err = clearwell("forecast", "--trace", trace, *options)
    assert (status, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert says in err


def test_without_a_trace_the_message_names_the_option(clearwell: Clearwell, tmp_path: Path) -> None:
    status, _, err = clearwell("forecast")
    assert status == 2
    assert "--trace FILE.csv" in err
    status, _, err = clearwell(
        "forecast", "--trace", tmp_path / "none.csv", "--capacity-grams", 1, "--limit", 50
    )
    assert status == 2
    assert "cannot be read" in err


def test_three_thousand_rows_with_noise_are_forecast_up_to_their_crossing() -> None:
    rng = random.Random(5)
    noisy = [
        TraceRow(row.volume_l, row.feed_ppm, min(row.feed_ppm, row.product_ppm * rng.uniform(0.97, 1.03)))
        for row in rows(3_000, 105.0)
    ]
    said = list(crossings(noisy, estimate(CAPACITY_G), 50.0))
    first_over = next(row.volume_l for row in noisy if row.product_ppm >= 50.0)
    assert len(said) == 3_000
    assert said[-1].crossing_l.median == pytest.approx(first_over, abs=0.05)
