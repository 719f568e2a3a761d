"""The table of promises: counted against known truths, marked where a share is outside its bounds."""

from bridge.simulate.promises import Kept, Promises, as_lines, judged_garden


def test_a_case_counts_where_the_truth_lies() -> None:
    kept = Kept()
    kept.judge(10.0, 8.0, 12.0, 6.0, 14.0)
    kept.judge(13.0, 8.0, 12.0, 6.0, 14.0)
    kept.judge(5.0, 8.0, 12.0, 6.0, 14.0)
    assert (kept.cases, kept.in_80, kept.in_95, kept.below_95) == (3, 1, 2, 1)


def test_a_broken_promise_is_marked_and_a_kept_one_is_not() -> None:
    promises = Promises(orders=10, late=2)
    promises.kept["good"] = Kept(100, 80, 95, 2)
    promises.kept["narrow"] = Kept(100, 47, 64, 18)
    promises.kept["few"] = Kept(5, 0, 0, 5)
    lines = as_lines(promises)
    good, narrow, few = (next(line for line in lines if line.startswith(name)) for name in promises.kept)
    assert good.split() == ["good", "1", "100", "80%", "95%", "2%", "-", "-"]
    assert narrow.split() == ["narrow", "1", "100", "47%*", "64%*", "18%*", "-", "-"]
    assert "*" not in few
    assert any("10, of which 2 came late" in line for line in lines)


def test_an_interval_of_water_has_its_own_bounds_and_the_share_of_wrongly_accepted_water() -> None:
    promises = Promises()
    promises.kept["true"] = Kept(1000, 960, 960, 20, only_95=True, accepted=200, wrongly=5)
    promises.kept["wide"] = Kept(1000, 995, 995, 0, only_95=True, accepted=200, wrongly=6)
    true, wide = (
        next(line for line in as_lines(promises) if line.startswith(name)) for name in promises.kept
    )
    assert true.split() == ["true", "1", "1000", "-", "96.0%", "2%", "200", "2.5%"]
    assert wide.split() == ["wide", "1", "1000", "-", "99.5%*", "0%", "200", "3.0%*"]


def test_the_table_tells_how_many_spans_the_cases_are_from_and_what_with_faults_means() -> None:
    half_year = Promises()
    half_year.kept["reservoir, with faults"] = Kept(17_000, 16_000, 16_000, 0, only_95=True)
    year = Promises()
    for _ in range(2):
        year.add(half_year)
    twice = Promises()
    twice.add(year)
    twice.add(half_year)
    lines = as_lines(twice)
    assert next(line for line in lines if line.startswith("reservoir")).split()[3:6] == ["3", "51000", "-"]
    assert any(line.startswith("with faults: ") for line in lines)
    twice.kept["reservoir"] = twice.kept.pop("reservoir, with faults")
    assert not any(line.startswith("with faults: ") for line in as_lines(twice))


def test_a_garden_is_the_same_for_the_same_seed_and_judges_every_forecast() -> None:
    found = judged_garden("1", 0)
    assert found == judged_garden("1", 0)
    assert found.of("days of cover").cases == 6
    assert found.of("cartridge litres, last third").cases == 3
    assert found.of("cartridge days, first third").cases == 2
    assert found.orders == 1
