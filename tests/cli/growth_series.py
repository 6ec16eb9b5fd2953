"""The growth series of the command line's tests, invented."""

from __future__ import annotations

from datetime import datetime

#: True densities of the growth series, by day [cells/mL]; invented.
GROWTH = {1: 8.0e6, 2: 12.5e6, 3: 19.0e6, 4: 29.0e6}
START = datetime(2026, 4, 1, 8, 30)
