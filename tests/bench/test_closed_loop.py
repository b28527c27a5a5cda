"""A short closed loop in CI: ours against the classical ways, and bands that cover.

Bounds are loose because the loop is short; ``closed_loop.py`` is the study.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest


@pytest.mark.slow
def test_few_runs_beat_the_classical_ways(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(Path(__file__).parent))
    import closed_loop

    try:
        results = closed_loop.study(16, 48, seed=411, jobs=1)
    finally:
        for name in ("closed_loop", "corners", "policies", "own_population"):
            sys.modules.pop(name, None)
    tape = np.array([r["tape"]["excess"] for r in results])
    classics = [r["classics"] for r in results if "classics" in r]
    linear = np.array([r["linear"] for r in classics])
    score_only = np.array([r["score only"] for r in classics])
    assert np.median(tape[:, 0]) < np.median(linear[:, 1])
    assert np.quantile(tape[:, 1], 0.9) < np.quantile(linear[:, 2], 0.9)
    assert np.quantile(tape[:, 0], 0.9) < np.quantile(score_only[:, 5], 0.9)
    assert np.quantile(tape[:, 0], 0.9) < 0.05
    for kind in closed_loop.OURS:
        curve = np.array([r[kind]["curve"] for r in results])
        score = np.array([r[kind]["score"] for r in results])
        assert 0.82 < curve.mean() < 0.98
        assert 0.78 < score.mean() < 0.98
    assert "ours, tape" in closed_loop.report(results)
