"""The mechanism's speed with a generous margin, since CI machines are noisy."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

LEAST = 60_000
SCRIPT = (
    "import json, poses; "
    "print(json.dumps({k: poses.poses_per_second(p) for k, p in poses.corners().items()}))"
)


@pytest.mark.slow
def test_poses_per_second_on_one_core() -> None:
    # a process of its own, since the library reads its thread count once
    env = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT],
        env=env,
        cwd=Path(__file__).parent,
        capture_output=True,
        text=True,
        check=True,
    )
    rates = json.loads(done.stdout)
    assert set(rates) == {"wishbones", "five links", "strut"}
    assert min(rates.values()) > LEAST
