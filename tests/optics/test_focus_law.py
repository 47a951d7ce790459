"""The focus law on campaigns drawn here, whose tube follows the air by small explicit steps."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.errors import FrameError
from nightfold.optics.focus_law import fit_focus_law, lagged_temperature, refocus_interval_c, sharpness_cost

OFFSETS = {"L": 0.0, "Ha": 22.0, "O3": -9.0}


def tube_of(time_s: np.ndarray, air_c: np.ndarray, lag_s: float) -> np.ndarray:
    """Euler steps of one second."""
    fine = np.arange(time_s[0], time_s[-1] + 1.0)
    air = np.interp(fine, time_s, air_c)
    tube = np.empty(fine.size)
    tube[0] = now = air[0]
    for i in range(1, fine.size):
        now += (air[i - 1] - now) / lag_s
        tube[i] = now
    return np.interp(time_s, fine, tube)


def campaign(random: np.random.Generator, *, lag_s: float = 2400.0, slope: float = -6.5) -> dict[str, np.ndarray]:
    """Five nights of falling air, runs every 40 minutes, two of thirty runs wild."""
    times, airs, tubes = [], [], []
    for night in range(5):
        t = np.arange(0.0, 8 * 3600.0, 300.0)
        air = random.uniform(5, 15) - random.uniform(4, 9) * (t / 28800.0) ** 0.6 + 0.5 * np.sin(t / 4000.0)
        tubes.append(tube_of(t, air, lag_s))
        times.append(t + night * 86400.0)
        airs.append(air)
    time, air, tube = np.concatenate(times), np.concatenate(airs), np.concatenate(tubes)
    runs = np.arange(4, time.size, 8)
    names = np.array(list(OFFSETS))[random.integers(0, 3, runs.size)]
    position = 20000.0 + slope * tube[runs] + np.array([OFFSETS[n] for n in names])
    position += random.normal(0, 1.5, runs.size)
    position[[3, 17]] += [80.0, -60.0]
    return {"time": time, "air": air, "run_time": time[runs], "position": position, "names": names}


def test_lagged_temperature_follows_small_steps() -> None:
    t = np.arange(0.0, 20000.0, 300.0)
    air = 10.0 - 5.0 * np.sin(t / 7000.0)
    assert lagged_temperature(t, t, air, lag_s=1800.0) == pytest.approx(tube_of(t, air, 1800.0), abs=0.005)
    assert np.isnan(lagged_temperature([-100.0, 30000.0], t, air, lag_s=0.0)).all()


def test_slope_lag_and_offsets_come_back() -> None:
    pulls, lags = [], []
    for seed in range(12):
        c = campaign(np.random.default_rng(seed))
        law = fit_focus_law(c["run_time"], c["position"], list(c["names"]), trace_time_s=c["time"], trace_c=c["air"])
        pulls.append((law.steps_per_c + 6.5) / law.error_steps_per_c)
        lags.append(law.lag_s)
        for name, (offset, error) in law.offsets_steps.items():
            expected = OFFSETS[name] - OFFSETS[law.reference_filter]
            assert offset == pytest.approx(expected, abs=4.0 * error + 1e-9)
            assert error < 1.5
        assert not law.used[3]
        assert not law.used[17]
        assert law.error_steps_per_c < 0.4
    assert np.abs(pulls).max() < 3.5
    assert np.median(lags) == pytest.approx(2400.0, rel=0.2)


def test_without_a_lag_the_slope_is_wrong() -> None:
    """The lag matters: a plain line through the same runs scatters several times more."""
    c = campaign(np.random.default_rng(1))
    law = fit_focus_law(c["run_time"], c["position"], list(c["names"]), trace_time_s=c["time"], trace_c=c["air"])
    zero = np.array([OFFSETS[n] for n in c["names"]])
    air = np.interp(c["run_time"], c["time"], c["air"])
    line = np.polynomial.polynomial.polyfit(air[law.used], (c["position"] - zero)[law.used], 1)
    plain = (c["position"] - zero)[law.used] - np.polynomial.polynomial.polyval(air[law.used], line)
    assert plain.std() > 1.5 * law.scatter_steps


def test_too_little_is_said() -> None:
    t = np.arange(12) * 600.0
    flat = fit_focus_law(t, 100.0 + t * 0, ["L"] * 12, trace_time_s=t, trace_c=np.full(12, 5.0))
    assert not flat.told
    assert "span 0.0" in flat.sentence
    unknown = fit_focus_law(t, 100.0 + t * 0, ["L"] * 12, trace_time_s=t, trace_c=np.full(12, np.nan))
    assert "0 runs with a temperature" in unknown.sentence
    with pytest.raises(FrameError, match="do not pair"):
        fit_focus_law(t, t, ["L"], trace_time_s=t, trace_c=t)


def test_refocus_interval() -> None:
    """CHECKS O8: aluminium of 800 mm, 18.9 um/K, against half a zone of 17.6 um: 0.93 K."""
    assert refocus_interval_c(-18.88, um_per_step=1.0, tolerance_um=17.6) == pytest.approx(0.93, abs=0.005)
    assert refocus_interval_c(0.0, um_per_step=1.0, tolerance_um=17.6) == np.inf


def test_cost_in_sharpness() -> None:
    """CHECKS O19: at f/4, 800 mm and 2.5 arcsec, 50 um of defocus make 3.138 arcsec, 100 um 4.544."""
    cost = sharpness_cost([2.5, 3.138, 4.544], [0.0, 50.0, 100.0], focal_ratio=4.0, focal_length_mm=800.0)
    assert cost == pytest.approx([0.0, 3.138 / 2.5 - 1.0, 4.544 / 2.5 - 1.0], abs=0.002)
    assert np.isnan(sharpness_cost(1.0, 100.0, focal_ratio=4.0, focal_length_mm=800.0))
