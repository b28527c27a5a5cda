"""No figure without an outside check: the table that coverage makes has no gap."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest


@pytest.mark.slow
def test_every_figure_is_reached_by_an_outside_check() -> None:
    spec = importlib.util.spec_from_file_location("reached", Path(__file__).with_name("reached.py"))
    assert spec is not None
    assert spec.loader is not None
    reached = importlib.util.module_from_spec(spec)
    sys.modules["reached"] = reached
    spec.loader.exec_module(reached)
    rows = reached.reached()
    assert len(rows) > 100
    assert reached.missing(rows) == []
    # an excuse for what is reached, or is no longer there, is stale
    bare = {r.name for r in rows if not r.checks}
    assert set(reached.EXCUSED) == bare
