"""Replicates beside scipy 1.17.1 and ISO 5725-6."""

from __future__ import annotations

import re
import statistics

import pytest

from esterward.chemistry import titration
from esterward_sim import trials_page


@pytest.mark.parametrize("n", range(2, 32))
def test_student_factors_are_those_of_scipy(n: int) -> None:
    from scipy import stats
    assert titration.student_t95(n) == pytest.approx(stats.t.ppf(0.975, n - 1), abs=0.001)


def test_with_very_many_readings_the_factor_stays_on_the_wide_side() -> None:
    from scipy import stats
    assert titration.student_t95(500) >= stats.t.ppf(0.975, 499)


@pytest.mark.parametrize("readings", [
    (2.9, 3.1, 3.0), (0.0, 0.0), (1.25, 1.3, 1.45, 1.2, 1.33), (5.0, 6.5),
])
def test_mean_and_deviation_are_those_of_the_statistics_module(
    readings: tuple[float, ...],
) -> None:
    got = titration.evaluate(readings)
    assert got.mean_ml == pytest.approx(statistics.fmean(readings))
    assert got.sd_ml == pytest.approx(statistics.stdev(readings))


def test_the_half_width_is_scipys_interval() -> None:
    from scipy import stats
    readings = (2.9, 3.1, 3.0, 3.2)
    low, high = stats.t.interval(0.95, 3, loc=statistics.fmean(readings), scale=stats.sem(readings))
    got = titration.evaluate(readings)
    assert got.half_width_ml == pytest.approx((high - low) / 2.0, abs=0.0005)


def test_the_allowed_spread_is_near_the_critical_range_of_three() -> None:
    from scipy import stats
    # ISO 5725-6: 95 % critical range of n = 3 is 3.31 standard deviations; with a
    # repeatability of 0.1 mL (two drops, from memory) that is 0.33 mL.
    critical = stats.studentized_range.ppf(0.95, 3, 1e6) * 0.1
    assert critical == pytest.approx(0.331, abs=0.001)
    assert pytest.approx(critical, abs=0.03) == titration.SPREAD_ALLOWED_ML


@pytest.mark.parametrize("n", [1, 2, 3, 10, 29, 30, 1500, 62_080])
def test_the_bound_of_trials_without_a_finding_is_that_of_clopper_and_pearson(n: int) -> None:
    """Their upper limit for none in n, one-sided 95 %, as scipy's beta quantile gives it."""
    from scipy import stats
    exact = stats.beta.ppf(0.95, 1, n)
    assert trials_page.bound_share(n) == pytest.approx(exact, rel=1e-9)
    said = trials_page.bound(n, 0)
    shown = float(re.findall(r"fewer than (\S+) \(", said)[0])
    assert exact <= shown * (1.0 + 1e-9) and shown < 1.1 * exact
    assert (f"about 3/{n}" in said) == (n >= 30)
    assert n < 30 or 3.0 / n == pytest.approx(exact, rel=0.06)
