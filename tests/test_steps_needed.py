"""Steps that no draw comes near are not drawn, and nothing changes by it."""

from __future__ import annotations

import numpy as np

import fanstats as fs
from fanstats.engine.curves import Located
from fanstats.engine.draws import LabelledDraws
from tests.tables import power_law_rows, readings


def _steps_drawn(monkeypatch, table, level):
    """Airflow of the tested unit, and the steps whose airflow errors were drawn for it."""
    asked = set()
    plain = LabelledDraws.standard

    def noted(self, label, shape):
        if "airflow" in label:
            asked.add(label[-1])
        return plain(self, label, shape)

    bench = fs.Bench(
        noise=fs.Instrument(reading=fs.standard(0.2)),
        airflow=fs.Instrument(reading=fs.standard("2 %")),
    )
    monkeypatch.setattr(LabelledDraws, "standard", noted)
    found = fs.equal_noise(table, level, bench=bench, draws=2000, rng=4)
    return found.airflow.sel(scope="tested unit", obstruction="none").to_numpy(), asked


def test_only_steps_that_a_draw_comes_near_are_drawn(monkeypatch):
    """Of twelve steps the airflow of four is drawn where all draws meet one interval."""
    speeds = tuple(np.geomspace(400.0, 1600.0, 12))
    table = readings(power_law_rows(speeds=speeds, room=20.0))
    whole, steps = _steps_drawn(monkeypatch, table, 34.0)

    assert len(steps) == 4
    monkeypatch.setattr(Located, "needed", property(lambda self: slice(0, self.x.shape[0])))
    same, every = _steps_drawn(monkeypatch, table, 34.0)
    assert len(every) == 12
    np.testing.assert_array_equal(whole, same)


def test_draws_at_an_end_of_the_sweep_run_on_as_before(monkeypatch):
    """Where some draws pass the loudest step, the steps its slope hangs on are drawn."""
    speeds = tuple(np.geomspace(400.0, 1600.0, 12))
    table = readings(power_law_rows(speeds=speeds, room=20.0))
    loudest = float(table.noise.max())
    some, steps = _steps_drawn(monkeypatch, table, loudest - 0.1)

    assert len(steps) < 12
    monkeypatch.setattr(Located, "needed", property(lambda self: slice(0, self.x.shape[0])))
    every, _ = _steps_drawn(monkeypatch, table, loudest - 0.1)
    np.testing.assert_array_equal(some, every)
