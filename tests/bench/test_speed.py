"""The speed bars with a generous margin, since CI machines are noisy."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.bench import profile_calls, speed

MARGIN = 1.5


@pytest.mark.slow
def test_start_up_stays_near_its_bars(tmp_path: Path) -> None:
    env = speed.installed(tmp_path)
    for name, ours, theirs, bar in speed.PAIRS:
        assert speed.ratio(ours, theirs, env, n_pair=5) < bar * MARGIN, name
    for name, base, with_us, most in speed.IMPORTS:
        assert speed.over_ms(base, with_us, env, n_pair=5) < most * MARGIN, name


@pytest.mark.slow
def test_the_profile_s_parts_are_what_the_call_takes(tmp_path: Path) -> None:
    """Every part that a call must have is there, and nothing counts twice."""
    env = speed.installed(tmp_path)
    words = profile_calls.CALLS["next"]
    whole = min(speed.seconds([sys.executable, "-m", "optimizer", *words], env) for _ in range(5))
    found = profile_calls.profile(words, env, n_times=5)
    stages = set(profile_calls.STAGES) - {"slips and spreads"}
    assert stages | {profile_calls.PYTHON, "loading numpy", "loading typer"} <= set(found)
    assert all(value > 0.0 for value in found.values())
    assert 0.7 * whole < sum(found.values()) < 1.4 * whole
