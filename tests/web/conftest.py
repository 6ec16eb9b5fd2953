"""The command line beside the page, on the journal that a test names."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from densitycam.cli.main import main


@pytest.fixture
def run() -> Callable[..., Result]:
    def invoke(*words: str | Path) -> Result:
        result = CliRunner().invoke(main, [str(w) for w in words], prog_name="densitycam")
        assert result.exit_code == 0, result.output
        return result

    return invoke
