"""A hundred runs and a hundred thousand settings, with a margin for a noisy machine."""

from __future__ import annotations

import importlib.util
import resource
from pathlib import Path

import pytest


@pytest.mark.slow
def test_a_crowded_logbook_is_answered_in_time() -> None:
    spec = importlib.util.spec_from_file_location("many", Path(__file__).with_name("many.py"))
    assert spec is not None
    assert spec.loader is not None
    many = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(many)
    few, quick = many.timed(many.crowded(0.24), 3)
    count, seconds = many.timed(many.crowded(0.06), 3)
    assert count >= 100_000
    assert count > 3.5 * few
    assert seconds < 3.0
    # no faster than linear in candidates, with half as much again for noise
    assert seconds < 1.5 * quick * count / few
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < 2**20
