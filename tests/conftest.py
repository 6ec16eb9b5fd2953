"""Lets tests import the helpers that stand beside them, and sets how many examples are drawn."""

import sys
from pathlib import Path

from hypothesis import HealthCheck, settings

sys.path.insert(0, str(Path(__file__).parent))

# The same examples every time, and no clock: what passes here passes on a slow machine. Many more,
# drawn anew each time: pytest --hypothesis-profile=many
_USUAL = settings(
    deadline=None, database=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.register_profile("suite", _USUAL, derandomize=True, max_examples=60)
settings.register_profile("many", _USUAL, max_examples=3000)
settings.load_profile("suite")
