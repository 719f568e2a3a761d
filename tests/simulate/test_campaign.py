"""Campaigns with and without faults keep every rule, and the seed alone determines their outcomes."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from scipy import stats

from bridge.errors import InputError, OutOfRangeError
from bridge.rig.faults import Fault, FaultName
from bridge.simulate.campaign import run, tasks_of
from bridge.simulate.gardens import NAMES
from bridge.simulate.mishaps import Event, Happening
from bridge.simulate.outcome import Outcome, Task, as_json, as_text, poisson_limits, summed
from bridge.simulate.year import Year, simulate

pytestmark = pytest.mark.slow


BRUTAL = Task("rough", NAMES[0], 1.3, faults=True, begins_day=30.0)
"""The first days of a brutal month."""


def sentences(outcome: Outcome) -> list[str]:
    return [f"step {one.step}, {one.time_s:.0f} s: {one.sentence}" for one in outcome.violations]


def summary_of(outcomes: list[Outcome]) -> str:
    return as_json(summed(7, len(outcomes), 0.01, outcomes))


@pytest.mark.parametrize("name", NAMES)
def test_without_faults_no_garden_trips_or_alarms(name: str) -> None:
    drawn = Event(at_s=30_000.0, happening=Happening.DRAW, size=45.0)
    outcome = Year(Task(f"quiet/{name}", name, 2.0, faults=False), events=[drawn]).run()
    assert sentences(outcome) == []
    assert outcome.trips == {}
    assert outcome.let_in_l > 50.0, "nothing was filled in, so nothing was shown"
    assert outcome.alarms.keys() <= {"temperature-out-of-range"}
    assert outcome.false_alarms == 0
    assert "False alarms: 0 in " in as_text(summed(7, 1, 2.0 / 365.25, [outcome]))


def test_an_alarm_that_the_true_state_does_not_explain_is_counted_and_violates() -> None:
    year = Year(Task("quiet", NAMES[0], 0.1, faults=False), events=[])
    year.inject(Fault(FaultName.OVERFLOW_FLOAT_UP, 600.0, 1200.0))
    outcome = year.run()
    raised = [one.sentence for one in outcome.violations if one.sentence.startswith("the alarm ")]
    assert "the alarm overflow was raised without a cause" in raised
    assert outcome.false_alarms == len(raised)


def test_a_calibration_that_a_fault_postpones_repeats_no_earlier_event() -> None:
    dry = Fault(FaultName.PROBE_DRY, 1000.0, 8000.0)
    events = [
        Event(at_s=600.0, happening=Happening.DRAW, size=1.0),
        Event(at_s=1000.0, fault=dry),
        Event(at_s=2000.0, happening=Happening.CALIBRATED, size=20.0),
    ]
    outcome = Year(Task("postponed", NAMES[0], 1.1, faults=True), events=events).run()
    assert outcome.happenings == {"draw-off": 1, "calibration": 1}


@pytest.mark.parametrize("count", [0, 1, 7, 300])
def test_the_rate_of_false_alarms_has_the_exact_interval_of_a_count(count: int) -> None:
    # The limits are quantiles of chi-squared, which scipy has.
    low, high = poisson_limits(count)
    assert low == pytest.approx(0.5 * stats.chi2.ppf(0.025, 2 * count) if count else 0.0)
    assert high == pytest.approx(0.5 * stats.chi2.ppf(0.975, 2 * count + 2))


@pytest.fixture(scope="module")
def campaign() -> list[Outcome]:
    return run([replace(BRUTAL, seed=f"rough/{name}", garden=name) for name in NAMES])


def test_days_of_faults_break_no_rule(campaign: list[Outcome]) -> None:
    assert [sentence for outcome in campaign for sentence in sentences(outcome)] == []


def test_faults_are_injected_matter_and_come_to_light_within_their_time(campaign: list[Outcome]) -> None:
    rows = summed(1, 5, 0.01, campaign).rows
    assert sum(row.injected for row in rows) > 40
    seen = [row for row in rows if row.seen]
    assert len(seen) > 10
    for row in seen:
        assert row.seen == row.mattered, row.fault
        if row.bound_s is not None:
            assert row.worst_s is not None
            assert row.worst_s <= row.bound_s, row.fault


def test_a_dead_bridge_leaves_the_valve_open_for_no_longer_than_the_lease(campaign: list[Outcome]) -> None:
    assert sum(outcome.happenings.get("power-cut", 0) for outcome in campaign) > 4
    assert max(outcome.shut_after_death_s for outcome in campaign) <= 5.0


def test_the_table_names_every_fault_and_the_verdict(campaign: list[Outcome]) -> None:
    text = as_text(summed(1, 5, 0.01, campaign))
    for name in campaign[0].tallies:
        assert f"\n{name} " in text
    assert text.endswith("No violation.")


def test_json_holds_what_the_table_holds(campaign: list[Outcome]) -> None:
    record = json.loads(summary_of(campaign))
    assert {row["fault"] for row in record["rows"]} == set(campaign[0].tallies)
    assert record["violations"] == []


def test_the_same_seed_gives_the_same_outcome_on_any_number_of_cores() -> None:
    tasks = [replace(BRUTAL, seed=f"twice/{name}", garden=name, days=0.3) for name in NAMES[:2]]
    one_core = run(tasks, jobs=1)
    assert summary_of(one_core) == summary_of(run(tasks, jobs=2))
    assert summary_of(one_core) != summary_of(run([replace(tasks[0], seed="another"), tasks[1]], jobs=1))


def test_a_finer_step_changes_no_verdict() -> None:
    hour_s = 3600.0
    events = [Event(hour_s, happening=Happening.DRAW, size=30.0)]
    for hour, name, lasts_s in (
        (1.2, FaultName.LINK_NOISE, 300.0),
        (1.4, FaultName.CONTROLLER_RESET, 6.0),
        (1.5, FaultName.LEVEL_SENSOR_OPEN, 120.0),
        (1.6, FaultName.FEED_PROBE_DRY, 120.0),
        (1.7, FaultName.SUPPLY_OFF, 1800.0),
        (3.0, FaultName.VALVE_STUCK_OPEN, 900.0),
        (4.0, FaultName.LINK_CUT, 300.0),
        (5.0, FaultName.PROBE_DRY, 300.0),
        (6.0, FaultName.FLOATS_CONTRADICT, 300.0),
        (7.0, FaultName.VALVE_LEAKING, 10_000.0),
    ):
        events.append(Event(hour * hour_s, Fault(name, 0.0, lasts_s)))
    coarse = Task("finer", "polytunnel", 0.5, faults=True)
    fine = replace(coarse, fine_s=0.25, coarse_s=30.0)
    outcomes = [Year(task, events=events).run() for task in (coarse, fine)]
    assert outcomes[1].steps > 3 * outcomes[0].steps
    assert [sentences(outcome) for outcome in outcomes] == [[], []]
    verdicts = [{name: (t.injected, t.mattered, t.seen) for name, t in o.tallies.items()} for o in outcomes]
    assert verdicts[0] == verdicts[1]
    assert sum(seen for _, _, seen in verdicts[0].values()) >= 9
    assert outcomes[0].trips == outcomes[1].trips
    assert outcomes[0].let_in_l == pytest.approx(outcomes[1].let_in_l, rel=0.05)


def test_a_violation_names_its_seed_and_its_step() -> None:
    year = Year(Task("7/0/3", "polytunnel", 0.1, faults=False))
    year.step()
    year.step()
    year.checks.violated("the sky fell")
    text = as_text(summed(7, 1, 0.1 / 365.0, [year.run()]))
    assert "seed 7/0/3, garden polytunnel, step 2, at " in text
    assert "the sky fell" in text


def test_a_real_log_survives_the_power_cuts_of_a_brutal_day(tmp_path: Path) -> None:
    path = tmp_path / "year.log"
    outcome = simulate(replace(BRUTAL, seed="logged", days=0.7, log=str(path)))
    assert sentences(outcome) == []
    assert outcome.happenings["power-cut"] + outcome.happenings["bridge-killed"] > 1
    assert outcome.rows > 100
    assert [one.name for one in tmp_path.iterdir() if "life" in one.name] == []
    with pytest.raises(InputError, match="exists already"):
        simulate(replace(BRUTAL, log=str(path)))


@pytest.mark.parametrize(
    ("years", "reservoirs"), [(0.0, 1), (-1.0, 1), (float("nan"), 1), (1.0, 0), (1.0, 2000)]
)
def test_a_span_that_cannot_be_simulated_is_refused(years: float, reservoirs: int) -> None:
    with pytest.raises(OutOfRangeError, match="must be"):
        tasks_of(years, 1, faults=False, reservoirs=reservoirs)


def test_the_years_are_cut_into_halves_and_the_gardens_take_turns() -> None:
    tasks = tasks_of(1.25, 4, faults=True, reservoirs=2)
    assert [task.days for task in tasks] == [182.5, 182.5, 91.25] * 2
    assert [task.garden for task in tasks] == [*NAMES[0:3], *NAMES[1:4]]
    assert len({task.seed for task in tasks}) == 6
