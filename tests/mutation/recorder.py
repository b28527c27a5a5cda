"""A pytest plugin: which test runs which line of the core, and how long each test takes.

``python -m coverage run -m pytest -p tests.mutation.recorder`` gives each test a context of
its own, its node id. A fixture that several tests share has one too, kept for all of them,
and what the package remembers between calls is forgotten before each test: else a line would
count for the first test alone that needed it.
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import coverage
import pytest

SECONDS: dict[str, float] = {}
SHARING: dict[str, list[str]] = defaultdict(list)
FAILED: list[str] = []


def forget() -> None:
    """Empty the caches of every module of the package."""
    for name, module in list(sys.modules.items()):
        if name.split(".")[0] == "optimizer":
            for held in list(vars(module).values()):
                if callable(getattr(held, "cache_clear", None)):
                    held.cache_clear()


def _switch(context: str) -> None:
    measuring = coverage.Coverage.current()
    if measuring is not None:
        measuring.switch_context(context)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """A context and a time for each test."""
    forget()
    for name in getattr(item, "fixturenames", ()):
        SHARING[name].append(item.nodeid)
    _switch(item.nodeid)
    began = time.perf_counter()
    done = yield
    SECONDS[item.nodeid] = time.perf_counter() - began
    _switch("")
    return done


@pytest.hookimpl(wrapper=True)
def pytest_fixture_setup(fixturedef: Any, request: Any) -> Iterator[None]:
    """A context of its own for a fixture that tests share."""
    if fixturedef.scope == "function":
        return (yield)
    _switch(f"fixture {fixturedef.argname}")
    done = yield
    _switch(request._pyfuncitem.nodeid)
    return done


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Remember what fails: it can kill nothing."""
    if report.failed:
        FAILED.append(report.nodeid)


def pytest_sessionfinish() -> None:
    """Write times, shared fixtures and failures where SHIMOPT_RECORD says."""
    told = {"seconds": SECONDS, "sharing": SHARING, "failed": FAILED}
    Path(os.environ["SHIMOPT_RECORD"]).write_text(json.dumps(told), encoding="utf-8")
