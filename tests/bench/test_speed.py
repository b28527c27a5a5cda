"""The speed bars with a generous margin, since CI machines are noisy."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

MARGIN = 1.5


@pytest.mark.slow
def test_start_up_stays_near_its_bars(tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location("speed", Path(__file__).with_name("speed.py"))
    assert spec is not None
    assert spec.loader is not None
    speed = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(speed)
    env = speed.installed(tmp_path)
    for name, ours, theirs, bar in speed.PAIRS:
        assert speed.ratio(ours, theirs, env, n_pair=5) < bar * MARGIN, name
    for name, base, with_us, most in speed.IMPORTS:
        assert speed.over_ms(base, with_us, env, n_pair=5) < most * MARGIN, name
