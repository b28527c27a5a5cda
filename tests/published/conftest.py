"""Everything here is a check from outside, but for the sanity of the trade's habits."""

from __future__ import annotations

from pathlib import Path

import pytest

HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the checks of this folder."""
    for item in items:
        if item.path.parent == HERE and item.path.stem not in ("test_trade", "test_reached"):
            item.add_marker(pytest.mark.outside)
