"""Settings of every test run."""

from __future__ import annotations

import matplotlib as mpl
from hypothesis import settings

mpl.use("Agg")
# Two shared cores are no place for a deadline a single example could miss by chance.
settings.register_profile("fanstats", deadline=None)
settings.load_profile("fanstats")
